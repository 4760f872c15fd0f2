"""Every frame of a link as a line of text, and such a file turned back into a driver: a bad night becomes a test.

A line is `2026-11-25T03:07:12.004112Z link > 01 04 00 00 00 08 f1 cc`: `>` sent, `<` came, `!` the request that was
sent gave no items, `-` one could not be sent; the last two with fault, unit and PDU. Text instruments have `=` and `~`
too (see `drivers.tap`), and `drivers.capture_text` plays them back. The first line of a file names link and kind. A
file that has grown beyond its limit is put aside as `.1` and begun anew. Frames alone: no plant data is in it.
May import: config, drivers.
"""

from __future__ import annotations

import logging
from collections import defaultdict, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from config.model import Link
from drivers import wire_time
from drivers.contract import Answer, Driver, DriverError, Fault, ReadPlan, nothing
from drivers.modbus import guard_ascii
from drivers.modbus.decode import Items
from drivers.modbus.functions import Refusal, encode, items
from drivers.modbus.poll import Ask, Poll, ready
from drivers.modbus.talk import ASCII, RTU, Talk
from drivers.modbus.tcp import Arrived, Frames
from drivers.tap import Hook, Tap

log = logging.getLogger("waterside.capture")

LIMIT: Final = 64 << 20
_WAYS: Final = (">", "<", "!", "-")
_HEAD: Final = "# waterside capture, link {} {}\n"


def capture_to(folder: Path, limit: int = LIMIT) -> Hook:
    """A hook for `open_link`: each link's frames go to `folder/LINK.txt`. OSError when the folder cannot be made.

    A disk that refuses ends the capture of that link, never the polls.
    """
    folder.mkdir(parents=True, exist_ok=True)

    def hook(link: Link) -> Tap:
        return _Writer(folder / f"{link.name}.txt", link, limit).write

    return hook


class _Writer:
    """Appends a line at a time; the file is open only meanwhile, so nothing has to be closed at the end."""

    def __init__(self, path: Path, link: Link, limit: int) -> None:
        self._path, self._link, self._limit = path, link, limit
        self._dead = False

    def write(self, way: str, data: bytes) -> None:
        if self._dead:
            return
        text = data.decode("ascii") if way in "!-" else data.hex(" ")
        when = datetime.fromtimestamp(wire_time.wall_ns() / 1e9, UTC)
        try:
            with self._path.open("a", encoding="ascii") as file:
                if not file.tell():
                    file.write(_HEAD.format(self._link.name, self._link.kind))
                file.write(f"{when:%Y-%m-%dT%H:%M:%S.%f}Z {self._link.name} {way} {text}\n")
                full = file.tell() > self._limit
            if full:
                self._path.replace(self._path.with_suffix(".1.txt"))
        except OSError as error:
            self._dead = True
            log.warning(
                "link %s: its frames cannot be written to %s (%s). Its capture has ended; polling goes on.",
                self._link.name,
                self._path,
                error.strerror or error,
            )


@dataclass(slots=True)
class Exchange:
    """A request of a capture and what came of it. `frame` is b"" where it could not be sent; `key`: unit and PDU."""

    key: bytes
    frame: bytes
    came: list[bytes] = field(default_factory=list)  # until it was answered or given up
    fault: Fault = Fault.NONE


class Captured:
    """Answers what a capture answered, in the order in which the same request was asked; then no answer.

    The bytes go through the guards and decoders of the link's own driver. Keeps the contract of a driver. `unused`:
    exchanges of the capture that nobody asked for again.
    """

    def __init__(self, exchanges: Iterator[Exchange], link: Link) -> None:
        self._link = link
        self._found: defaultdict[bytes, deque[Exchange]] = defaultdict(deque)
        for exchange in exchanges:
            self._found[exchange.key].append(exchange)
        self._polls: dict[str, Poll] = {}
        self._closed = False

    @property
    def unused(self) -> int:
        return sum(len(q) for q in self._found.values())

    async def connect(self) -> str:
        return f"Link {self._link.name} is closed." if self._closed else ""

    async def read(self, plan: ReadPlan) -> Answer:
        if self._closed:
            return nothing(plan, Fault.STOPPING, "the link is closed")
        poll = self._polls.get(plan.module)
        if poll is None or poll.plan != plan:
            poll = self._polls[plan.module] = ready(plan)
        steps = poll.steps()
        ask = next(steps)
        try:
            while True:
                ask = steps.send(self._answer(ask, plan))
        except StopIteration as end:
            answer: Answer = end.value
            return answer

    async def aclose(self) -> None:
        self._closed = True

    def _answer(self, ask: Ask, plan: ReadPlan) -> Items | Refusal:
        request = encode(ask.request, plan.unit)
        waiting = self._found[bytes((plan.unit, request.function_code)) + request.encode()]
        if not waiting:
            return Refusal(Fault.NO_ANSWER, "the capture has no further answer to this request", skip=True, sent=False)
        exchange = waiting.popleft()
        if not exchange.frame or exchange.fault in (Fault.LINK_DOWN, Fault.STOPPING):  # no bytes that could tell
            return Refusal(exchange.fault, "as captured", skip=True, sent=bool(exchange.frame))
        if self._link.kind == "modbus-tcp":
            return _over_tcp(exchange, ask, plan)
        talk = Talk(self._link, ASCII if self._link.kind == "modbus-ascii" else RTU)
        talk.ask(ask, plan, 0.0)
        for data in exchange.came:
            if (got := talk.hear(data, 0.0)) is not None:
                return got
        return talk.over(0.0)


def _over_tcp(exchange: Exchange, ask: Ask, plan: ReadPlan) -> Items | Refusal:
    frames, buffer = Frames(), b""
    for data in exchange.came:
        buffer += data
        used, arrived = frames.handleFrame(buffer, plan.unit, int.from_bytes(exchange.frame[:2], "big"))
        buffer = buffer[used:]
        if isinstance(arrived, Arrived):
            return Refusal(Fault.BAD_ANSWER, arrived.why) if arrived.why else items(arrived.pdu, ask.shape)
    if buffer:
        return Refusal(Fault.BAD_ANSWER, "half an answer, then silence", skip=True)
    return Refusal(Fault.NO_ANSWER, "no answer", skip=True)


def captured(path: Path, link: Link) -> Driver:
    """A driver from a capture. DriverError names file and line where it is none, or of another kind of link."""
    if link.kind == "text":
        from drivers.capture_text import CapturedText

        return CapturedText(lines_of(path, link), link)
    return Captured(_exchanges(path, link), link)


def _exchanges(path: Path, link: Link) -> Iterator[Exchange]:
    """The requests of a capture in order. What came while none waited was thrown away then, and is here."""
    open_: Exchange | None = None
    for way, fault, data in lines_of(path, link):
        if way == "<":
            if open_ is not None:
                open_.came.append(data)
            continue
        if way == "!":
            if open_ is not None and open_.key == data:
                open_.fault = fault
                yield open_
            open_ = None
            continue
        if open_ is not None:
            yield open_
        open_ = None
        if way == "-":
            yield Exchange(data, b"", fault=fault)
        else:
            open_ = Exchange(_bare(data, link.kind), data)
    if open_ is not None:
        yield open_


def lines_of(path: Path, link: Link) -> Iterator[tuple[str, Fault, bytes]]:
    """Way, fault and bytes of each line of a capture. DriverError as `captured`."""
    with path.open(encoding="ascii", errors="replace") as file:
        for number, line in enumerate(file, 1):
            if line.startswith("#"):
                if not line.rstrip().endswith(f" {link.kind}"):
                    raise DriverError(f"{path}, line {number}: a capture of {line.split()[-1]}; wanted {link.kind}")
                continue
            try:
                yield _line(line, ("~", "=", *_WAYS) if link.kind == "text" else _WAYS)
            except (IndexError, KeyError, ValueError) as e:
                raise DriverError(f"{path}, line {number}: no line of a capture ({line.strip()[:60]!r})") from e


def _line(line: str, ways: tuple[str, ...]) -> tuple[str, Fault, bytes]:
    """Way, fault (NONE for frames) and bytes of a line; IndexError, KeyError or ValueError when it is none."""
    words = line.split()
    way, rest = words[2], words[3:]
    if way not in ways:
        raise ValueError(way)
    fault = Fault[rest.pop(0)] if way in "!-" else Fault.NONE
    return way, fault, bytes.fromhex("".join(rest))


def _bare(frame: bytes, kind: str) -> bytes:
    """Unit and PDU of a request as it was sent."""
    if kind == "modbus-tcp":
        return frame[6:]
    if kind == "modbus-ascii":
        return guard_ascii.body_of(frame[1:-2])
    return frame[:-2]
