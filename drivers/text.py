"""Instruments that print lines of text, on a serial port or behind a serial server: a thread of its own for each link.

Lives here: `open_text`, the thread that keeps listening, `plan` and `read_once`. What a line is and says is in
`drivers.text_line`. May import: config, drivers.contract, drivers.wire_time, the ends of a
link in `drivers.modbus`.

One that prints by itself is listened to all the time; a poll takes the newest whole line, which no other poll gets.
Where none has come since the last poll, a poll waits for one as long as the link waits for an answer. One that is
prompted is sent the prompt of the plant file, and the first line after it is the answer. Nothing else is ever sent.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from threading import Thread
from typing import TYPE_CHECKING, Final, TypeVar

from config.bus import Channel, Link, Module
from drivers import wire_time
from drivers.contract import Answer, DriverError, Fault, Pick, ReadPlan, nothing
from drivers.modbus.ascii import open_characters
from drivers.modbus.wires import SLICE_S, Wire, open_socket, serial_trouble, socket_trouble
from drivers.text_line import Cutter, Instrument, first_answer, instrument, understood

if TYPE_CHECKING:
    from drivers.tap import Tap

T = TypeVar("T")

_FIRST_HOLD, _LONGEST_HOLD = 0.5, 5.0  # s between attempts at a link that cannot be opened
_QUIET_S: Final = 0.05  # s without a character before a prompt, so that no line is under way
_MOST: Final = 4096  # bytes taken at once
_DEAF: Final = 3  # prompts without a single byte after which a connection is made anew: it may be dead and not say so
_DEAF_LISTENING: Final = 30  # polls of one that prints by itself: it may do so much less often than it is polled


@dataclass(frozen=True, slots=True, kw_only=True)
class TextPlan(ReadPlan):
    """A poll of a text instrument: no requests, but how it talks; picks in the order of the module's channels."""

    instrument: Instrument

    @property
    def fields(self) -> tuple[str, ...]:
        return tuple(p.channel.field or "" for p in self.picks)


def plan(module: Module) -> TextPlan:
    """The poll of a module on a text link. DriverError when it has no pattern or a channel no field of it."""
    return _plan(module, list(module.channels.values()))


def _plan(module: Module, channels: list[Channel]) -> TextPlan:
    try:
        how = instrument(module)
    except ValueError as e:
        raise DriverError(f"{e}.") from e
    for channel in channels:
        if channel.field not in how.pattern.groupindex:
            raise DriverError(f"module {module.name}: its pattern has no field {channel.field!r}.")
    picks = tuple(Pick(0, i, channel) for i, channel in enumerate(channels))
    return TextPlan(module.name, 0, (), picks, module.answers_within, instrument=how)


def open_text(link: Link, tap: Tap | None = None) -> TextDriver:
    """The driver of a text link, not yet opened."""
    if not link.device and not link.host:
        raise DriverError(f'Link {link.name}: text wants device = "/dev/serial/by-id/..." or host and port.')
    return TextDriver(link, tap)


class TextDriver:
    """One link (`drivers.contract.Driver`)."""

    def __init__(self, link: Link, tap: Tap | None = None) -> None:
        self._link, self._tap = link, tap
        self._thread: Thread | None = None
        self._jobs: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._ended: Future[None] = Future()
        self._closed = False
        self._wire: Wire | None = None
        self._hold, self._not_before, self._trouble = _FIRST_HOLD, 0.0, ""
        self._heard_at = 0.0  # the last byte
        self._free_at = 0.0  # no prompt before
        self._how: Instrument | None = None  # that is listened to
        self._cutter: Cutter | None = None
        self._newest: tuple[bytes | None, float] | None = None  # a line nobody has taken, and when it came
        self._deaf = 0
        self._asked = self._took = False  # in this poll: a prompt went, or it was listened; a line was taken

    async def connect(self) -> str:
        if self._closed:
            return f"Link {self._link.name} is closed."
        self._not_before = 0.0
        return await self._in_thread(self._open)

    async def read(self, plan: ReadPlan) -> Answer:
        if self._closed:
            return nothing(plan, Fault.STOPPING, f"link {self._link.name} is closed")
        if not isinstance(plan, TextPlan):
            return nothing(plan, Fault.BAD_ANSWER, f"link {self._link.name} has text instruments and no registers")
        return await self._in_thread(lambda: self._read(plan))

    async def aclose(self) -> None:
        if self._closed:
            return
        self._closed = True
        if self._thread is None:
            return
        if (wire := self._wire) is not None:
            with suppress(OSError, TypeError):  # it may be closed by the thread at this moment
                wire.cancel()
        self._jobs.put(None)
        await asyncio.wrap_future(self._ended)
        self._thread.join()

    async def _in_thread(self, work: Callable[[], T]) -> T:
        if self._thread is None:
            self._thread = Thread(target=self._main, name=f"link {self._link.name}", daemon=True)
            self._thread.start()
        done: Future[T] = Future()

        def job() -> None:
            if done.set_running_or_notify_cancel():
                try:
                    done.set_result(work())
                except Exception as e:  # a fault in the program: told to the one who asked, the thread lives on
                    done.set_exception(e)

        self._jobs.put(job)
        return await asyncio.wrap_future(done)

    # from here on: in the thread

    def _main(self) -> None:
        try:
            while not self._closed:
                if (job := self._next()) is not None:
                    job()
            while not self._jobs.empty():  # asked at the last moment: told that it ends
                if (job := self._jobs.get()) is not None:
                    job()
        finally:
            self._drop()
            self._ended.set_result(None)

    def _next(self) -> Callable[[], None] | None:
        """What is to be done next, None for nothing; meanwhile the link is listened to."""
        try:
            return self._jobs.get(block=self._wire is None)
        except Empty:
            assert self._wire is not None
            try:
                self._hear(self._wire.take(_MOST))
            except OSError as error:
                self._lose(error)
            return None

    def _open(self) -> str:
        if self._wire is not None:
            return ""
        if self._closed:
            return f"Link {self._link.name} is closed."
        if wire_time.now() < self._not_before:
            return self._trouble
        link = self._link
        try:
            if link.host:
                self._wire = open_socket(link, link.host, lambda: self._closed)
            else:
                assert link.device
                self._wire = open_characters(link, link.device)
        except (OSError, ValueError) as error:
            self._trouble = self._sentence(error)
            self._not_before = wire_time.now() + self._hold
            self._hold = min(2 * self._hold, _LONGEST_HOLD)
            return self._trouble
        self._hold, self._trouble = _FIRST_HOLD, ""
        self._heard_at = wire_time.now()  # half a line may be under way
        self._deaf = 0
        return ""

    def _sentence(self, error: BaseException) -> str:
        link = self._link
        if link.host:
            return socket_trouble(link, f"{link.host}:{link.port}", error)
        return serial_trouble(link, link.device or "", error)

    def _lose(self, error: OSError) -> str:
        """The link is gone: the next poll opens it again."""
        self._drop()
        self._trouble = self._sentence(error)
        return self._trouble

    def _drop(self) -> None:
        wire, self._wire = self._wire, None
        self._how = self._cutter = self._newest = None
        if wire is not None:
            with suppress(OSError):
                wire.close()

    def _hear(self, data: bytes) -> None:
        """Bytes that came, of whatever: kept is the newest whole line of an instrument that prints by itself."""
        if not data:
            return
        if self._tap is not None:
            self._tap("<", data)
        self._heard_at, self._deaf = wire_time.now(), 0
        if self._cutter is not None and (lines := self._cutter.feed(data)):
            self._newest = (lines[-1], self._heard_at)

    def _read(self, plan: TextPlan) -> Answer:
        self._asked = self._took = False
        answer = self._poll(plan)
        self._tell(plan, answer)
        return answer

    def _poll(self, plan: TextPlan) -> Answer:
        if trouble := self._open():
            return nothing(plan, Fault.STOPPING if self._closed else Fault.LINK_DOWN, trouble)
        assert self._wire is not None
        try:
            answer = self._ask(self._wire, plan) if plan.instrument.prompt else self._listen(self._wire, plan)
        except OSError as error:
            if plan.instrument.prompt:  # its answer may still come, over the next connection too
                self._hold_back(plan)
            return nothing(plan, Fault.LINK_DOWN, self._lose(error))
        if self._link.host and self._deaf >= (_DEAF if plan.instrument.prompt else _DEAF_LISTENING):
            self._drop()
        return answer

    def _tell(self, plan: TextPlan, answer: Answer) -> None:
        """What became of a poll, for a capture."""
        if self._tap is not None:
            prompt = plan.instrument.prompt
            if self._took:
                self._tap("=", prompt)
            else:
                text = f"{answer.faults[0].name} {prompt.hex(' ')}".strip()
                self._tap("!" if self._asked else "-", text.encode("ascii"))

    def _answer(self, plan: TextPlan, line: bytes | None) -> Answer:
        self._took = True
        return answer_of(plan, line)

    def _listen(self, wire: Wire, plan: TextPlan) -> Answer:
        how = plan.instrument
        if self._how != how:
            self._how, self._newest = how, None
            self._cutter = Cutter(how.ends, how.longest, begun=False)
            if self._tap is not None:
                self._tap("~", b"")
        assert self._cutter is not None
        self._asked = True
        self._hear(wire.drain())
        until = wire_time.now() + self._link.waits(plan.answers_within)
        while not self._closed:
            line, self._newest = self._newest, None
            now = wire_time.now()
            if line is not None and now - line[1] <= how.age:
                return self._answer(plan, line[0])
            if now >= until:
                return self._nothing_came(plan, self._cutter)
            self._hear(wire.take(_MOST))
        return nothing(plan, Fault.STOPPING, "the link is being closed")

    def _ask(self, wire: Wire, plan: TextPlan) -> Answer:
        how = plan.instrument
        self._how = self._cutter = self._newest = None  # between prompts nothing is kept
        self._hear(wire.drain())
        if (refused := self._calm(wire, plan)) is not None:
            return refused
        cutter = Cutter(how.ends, how.longest, begun=True)
        self._asked = True
        wire.send(how.prompt)
        if self._tap is not None:
            self._tap(">", how.prompt)
        until = wire_time.now() + self._link.waits(plan.answers_within)
        while not self._closed:
            data = wire.take(_MOST)
            self._hear(data)
            for line in first_answer(cutter.feed(data), how.prompt):
                answer = self._answer(plan, line)
                if answer.silent:
                    self._hold_back(plan)  # what was meant may still come
                return answer
            if wire_time.now() >= until:
                self._hold_back(plan)
                return self._nothing_came(plan, cutter)
        return nothing(plan, Fault.STOPPING, "the link is being closed")

    def _hold_back(self, plan: TextPlan) -> None:
        """A late answer would be taken for that of the next prompt: it has as long again to come and be lost."""
        self._free_at = wire_time.now() + self._link.waits(plan.answers_within)

    def _calm(self, wire: Wire, plan: TextPlan) -> Answer | None:
        """Wait until a prompt may go: no answer to come, no line under way. Else why none may."""
        quiet = max(_QUIET_S, self._link.pause)
        patience = max(self._free_at, wire_time.now()) + self._link.waits(plan.answers_within) + quiet
        while not self._closed:
            now = wire_time.now()
            free = max(self._free_at, self._heard_at + quiet)
            if now >= free:
                return None
            if now >= patience:
                why = "characters keep coming: an instrument that prints by itself wants no prompt in the plant file"
                return nothing(plan, Fault.BAD_ANSWER, f"module {plan.module}: {why}")
            self._hear(wire.take(_MOST))
            wire_time.pause_until(min(free, wire_time.now() + SLICE_S / 10))
        return nothing(plan, Fault.STOPPING, "the link is being closed")

    def _nothing_came(self, plan: TextPlan, cutter: Cutter) -> Answer:
        waited = f"within {self._link.waits(plan.answers_within):g} s"
        if not cutter.half:
            self._deaf += 1
            return nothing(plan, Fault.NO_ANSWER, f"module {plan.module}: no line {waited}")
        why = f"{cutter.half} characters and no end of a line {waited}"
        fault = Fault.BAD_ANSWER if plan.instrument.prompt else Fault.NO_ANSWER
        return nothing(plan, fault, f"module {plan.module}: {why}")


def answer_of(plan: TextPlan, line: bytes | None) -> Answer:
    """A poll that took a line; None stands for one that was too long."""
    said = understood(line, plan.instrument, plan.fields)
    return Answer(said.counts, said.faults, f"module {plan.module}: {said.detail}" if said.detail else "")


@dataclass(frozen=True, slots=True)
class Trouble:
    """Why there is no reading: the fault, and a sentence for people."""

    fault: Fault
    detail: str


async def read_once(link: Link, module: Module, timeout: float) -> dict[str, float] | Trouble:
    """One reading of an instrument nobody else owns, as by a handheld at calibration: field to number as printed.

    All fields of the pattern, channels or not; one the line does not have is left out. `timeout`: s to wait, for one
    that prints by itself at least twice its interval, since the first line may be half a one.
    """
    names = list(instrument(module).pattern.groupindex)
    wanted = _plan(module, [Channel.model_validate({"field": name}) for name in names])
    driver = open_text(link.model_copy(update={"timeout": timeout}))
    try:
        if trouble := await driver.connect():
            return Trouble(Fault.LINK_DOWN, trouble)
        answer = await driver.read(wanted)
    finally:
        await driver.aclose()
    wrong = [f for f in answer.faults if f not in (Fault.NONE, Fault.NOT_AVAILABLE)]
    found = {name: float(c) for name, c in zip(names, answer.counts, strict=True) if c is not None}
    if wrong or not found:
        return Trouble(wrong[0] if wrong else Fault.NOT_AVAILABLE, answer.detail)
    return found
