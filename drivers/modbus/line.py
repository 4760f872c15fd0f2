"""A line without transaction numbers (RTU, ASCII; port or gateway): a blocking thread of its own for each link.

Lives here: the thread, the wire's opening and reopening, and the waits. A thread keeps the 3.5 characters of silence
that strict modules insist on; an event loop under load does not. What is asked when, and what is an answer, is said
by `drivers.modbus.talk`.
May import: config, drivers.contract, drivers.modbus, drivers.wire_time.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from config.model import Link
from drivers import wire_time
from drivers.contract import Answer, Fault, ReadPlan, nothing
from drivers.modbus.decode import Items
from drivers.modbus.functions import Refusal, encode
from drivers.modbus.poll import Ask, Poll, ready
from drivers.modbus.talk import Counts, Framing, Talk
from drivers.modbus.wires import SLICE_S, Wire
from drivers.tap import Tap, Teller

log = logging.getLogger(__name__)
logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)

_FIRST_HOLD, _LONGEST_HOLD = 0.5, 5.0  # s between attempts at a wire that cannot be opened


@dataclass(frozen=True, slots=True)
class End:
    """The near end of a line: how it is opened, what is said when it is not, and what is to be remarked once it is."""

    dial: Callable[[Callable[[], bool]], Wire]
    trouble: Callable[[BaseException], str]
    remark: Callable[[], str] = str


class LineDriver:
    """One line (`drivers.contract.Driver`). `remark`: one line to be told at connect, "" when there is nothing."""

    def __init__(self, link: Link, framing: Framing, end: End, tap: Tap | None = None) -> None:
        self._link, self._end, self._tell = link, end, Teller(tap)
        self._thread = ThreadPoolExecutor(1, thread_name_prefix=f"link {link.name}")
        self._wire: Wire | None = None
        self._closed = False
        self._hold, self._not_before, self._trouble = _FIRST_HOLD, 0.0, ""
        self._polls: dict[str, Poll] = {}
        self.talk = Talk(link, framing)
        self.remark = ""

    @property
    def counts(self) -> Counts:
        return self.talk.counts

    async def connect(self) -> str:
        if self._closed:
            return f"Link {self._link.name} is closed."
        self._not_before = 0.0
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._open)

    async def read(self, plan: ReadPlan) -> Answer:
        if self._closed:
            return nothing(plan, Fault.STOPPING, f"link {self._link.name} is closed")
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._read, plan)

    async def identify(self, unit: int) -> bytes:
        """See `drivers.contract.Identifies`."""
        if self._closed:
            return b""
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._identify, unit)

    async def aclose(self) -> None:
        if self._closed:
            return
        self._closed = True
        if self._wire is not None:
            self._wire.cancel()
        await asyncio.get_running_loop().run_in_executor(self._thread, self._drop)  # behind a read in flight
        self._thread.shutdown()

    # from here on: in the thread

    def _read(self, plan: ReadPlan) -> Answer:
        poll = self._polls.get(plan.module)
        if poll is None or poll.plan is not plan:
            poll = self._polls[plan.module] = ready(plan)
        steps = poll.steps()
        ask = next(steps)
        try:
            while True:
                self._tell.begin()
                got = self._answer(ask, plan)
                if isinstance(got, Refusal):
                    self._tell.failed(got.fault, plan.unit, encode(ask.request, plan.unit))
                ask = steps.send(got)
        except StopIteration as end:
            answer: Answer = end.value
            return answer

    def _open(self) -> str:
        if self._wire is not None:
            return ""
        if wire_time.now() < self._not_before:
            return self._trouble
        try:
            self._wire = self._end.dial(lambda: self._closed)
        except (OSError, ValueError) as error:
            self._trouble = self._end.trouble(error)
            self._not_before = wire_time.now() + self._hold
            self._hold = min(2 * self._hold, _LONGEST_HOLD)
            return self._trouble
        self._hold, self._trouble = _FIRST_HOLD, ""
        self.talk.opened(wire_time.now())
        told, self.remark = self.remark, self._end.remark()
        if self.remark and self.remark != told:
            log.warning("%s", self.remark)
        return ""

    def _drop(self) -> None:
        wire, self._wire = self._wire, None
        if wire is not None:
            wire.close()

    def _answer(self, ask: Ask, plan: ReadPlan) -> Items | Refusal:
        if self._closed:
            return Refusal(Fault.STOPPING, "the link is being closed", skip=True, sent=False)
        if trouble := self._open():
            fault = Fault.STOPPING if self._closed else Fault.LINK_DOWN
            return Refusal(fault, trouble, skip=True, sent=False)
        assert self._wire is not None
        asked = False
        try:
            if (refused := self._quiet(self._wire, plan.unit)) is not None:
                return refused
            asked = True
            return self._exchange(self._wire, ask, plan)
        except OSError as error:
            if asked:
                self.talk.lost(wire_time.now())  # its answer may still come, over the next connection too
            self._drop()
            return Refusal(Fault.LINK_DOWN, self._end.trouble(error), skip=True, sent=asked)

    def _exchange(self, wire: Wire, ask: Ask, plan: ReadPlan) -> Items | Refusal:
        talk, tell = self.talk, self._tell
        request = talk.ask(ask, plan, wire_time.now())
        wire.send(request)
        tell.sent(request)
        while not self._closed:
            data = wire.take(talk.more)
            now = wire_time.now()
            if data:
                tell.came(data)
                if (got := talk.hear(data, now)) is not None:
                    return got
            if now >= talk.deadline or talk.too_much:
                return talk.over(now)
        return Refusal(Fault.STOPPING, "the link is being closed", skip=True)

    def _identify(self, unit: int) -> bytes:
        if self._closed or self._open():
            return b""
        wire, talk, tell = self._wire, self.talk, self._tell
        assert wire is not None
        try:
            if self._quiet(wire, unit) is not None:
                return b""
            request = talk.ask_name(unit, wire_time.now())
            wire.send(request)
            tell.sent(request)
            while not self._closed:
                data = wire.take(talk.more)
                now = wire_time.now()
                if data:
                    tell.came(data)
                    if pdu := talk.hear_name(data, now):
                        return pdu
                if now >= talk.deadline or talk.too_much:
                    talk.over(now)
                    break
        except OSError:
            self._drop()
        return b""

    def _quiet(self, wire: Wire, unit: int) -> Refusal | None:
        """Wait until the next request may go: silence kept, no late answer to come. Else why nothing may be sent."""
        talk = self.talk
        from_then = max(talk.free_at(unit), wire_time.now())
        while True:
            if data := wire.drain():
                self._tell.came(data)
                talk.disturb(data, wire_time.now())
            until = talk.free_at(unit)
            now = wire_time.now()
            if self._closed:
                return Refusal(Fault.STOPPING, "the link is being closed", skip=True, sent=False)
            if now > from_then + talk.patience:
                return talk.never_quiet()
            if now >= until and not data:
                break
            wire_time.pause_until(min(until, now + SLICE_S))
        talk.calm(wire_time.now())
        return None
