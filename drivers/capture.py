"""Every frame of a link as a line of text, and such a file turned back into a driver: a bad night becomes a test.

A line is `2026-11-25T03:07:12.004112Z link > 01 04 00 00 00 08 f1 cc`: `>` sent, `<` came, `!` a request that gave no
items, with its fault and unit and PDU. The first line of a file names link and kind. A file that has grown beyond its
limit is put aside as `.1` and begun anew. May import: config, drivers. Frames alone: no plant data is in it.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from config.model import Link
from drivers import wire_time
from drivers.contract import Answer, Driver, DriverError, Fault, ReadPlan, nothing
from drivers.modbus import guard, guard_ascii
from drivers.modbus.decode import Items
from drivers.modbus.functions import Refusal, Shape, encode, items
from drivers.modbus.poll import Poll, ready
from drivers.modbus.tcp import Arrived, Frames
from drivers.tap import Hook, Tap

LIMIT: Final = 64 << 20
_HEAD: Final = "# waterside capture, link {} {}\n"
_ALONE: Final = frozenset(
    {Fault.NO_ANSWER, Fault.LINK_DOWN, Fault.BAD_ANSWER, Fault.STOPPING, Fault.REFUSED_10, Fault.REFUSED_11}
)
"""Faults after which the rest of a plan is not asked."""


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
        text = data.decode("ascii") if way == "!" else data.hex(" ")
        when = datetime.fromtimestamp(wire_time.wall_ns() / 1e9, UTC)
        try:
            with self._path.open("a", encoding="ascii") as file:
                if not file.tell():
                    file.write(_HEAD.format(self._link.name, self._link.kind))
                file.write(f"{when:%Y-%m-%dT%H:%M:%S.%f}Z {self._link.name} {way} {text}\n")
                full = file.tell() > self._limit
            if full:
                self._path.replace(self._path.with_suffix(".1.txt"))
        except OSError:
            self._dead = True


class Captured:
    """Answers what a capture answered, in the order in which the same request was asked; then no answer.

    Keeps the contract of a driver. `unused`: exchanges of the capture that nobody asked for again.
    """

    def __init__(self, exchanges: Iterator[tuple[bytes, list[bytes], Fault]], link: Link) -> None:
        self._link = link
        self._found: defaultdict[bytes, deque[tuple[list[bytes], Fault]]] = defaultdict(deque)
        for request, came, fault in exchanges:
            self._found[request].append((came, fault))
        self._polls: dict[str, Poll] = {}
        self._closed = False

    @property
    def unused(self) -> int:
        return sum(len(q) for q in self._found.values())

    async def connect(self) -> str:
        return ""

    async def read(self, plan: ReadPlan) -> Answer:
        if self._closed:
            return nothing(plan, Fault.STOPPING, "the link is closed")
        poll = self._polls.setdefault(plan.module, ready(plan))
        steps = poll.steps()
        ask = next(steps)
        try:
            while True:
                request = encode(ask.request, plan.unit)
                key = bytes((plan.unit, request.function_code)) + request.encode()
                ask = steps.send(self._answer(key, plan.unit, ask.shape))
        except StopIteration as end:
            answer: Answer = end.value
            return answer

    async def aclose(self) -> None:
        self._closed = True

    def _answer(self, key: bytes, unit: int, shape: Shape) -> Items | Refusal:
        if not self._found[key]:
            return Refusal(Fault.NO_ANSWER, "the capture has no further answer to this request", skip=True)
        came, fault = self._found[key].popleft()
        if fault is not Fault.NONE:
            return Refusal(fault, "as captured", skip=fault in _ALONE)
        return _items(self._link.kind, b"".join(came), unit, shape, key)


def _items(kind: str, data: bytes, unit: int, shape: Shape, key: bytes) -> Items | Refusal:
    """The items in captured bytes, by the guards the drivers use."""
    none = Refusal(Fault.BAD_ANSWER, "the captured bytes hold no answer to this request", skip=True)
    if kind == "modbus-tcp":
        # the transaction is the request's, which the capture holds; here its own number is taken
        frames = Frames()
        for at in range(max(0, len(data) - 7)):
            _, arrived = frames.handleFrame(data[at:], unit, int.from_bytes(data[at : at + 2], "big"))
            if isinstance(arrived, Arrived) and not arrived.why:
                return items(arrived.pdu, shape)
            frames = Frames()
        return none
    look = guard_ascii.look if kind == "modbus-ascii" else guard.look
    seen = look(data, unit, shape, b"")
    return items(seen.pdu, shape) if seen.pdu else none


def captured(path: Path, link: Link) -> Driver:
    """A driver from a capture. DriverError names file and line where it is none, or of another kind of link."""
    return Captured(_exchanges(path, link), link)


def _exchanges(path: Path, link: Link) -> Iterator[tuple[bytes, list[bytes], Fault]]:
    """Unit and PDU of each request, what came after it, and the fault it ended with."""
    request, came, fault = b"", list[bytes](), Fault.NONE
    with path.open(encoding="ascii", errors="replace") as file:
        for number, line in enumerate(file, 1):
            if line.startswith("#"):
                if not line.rstrip().endswith(f" {link.kind}"):
                    raise DriverError(f"{path}, line {number}: a capture of {line.split()[-1]}; wanted {link.kind}")
                continue
            words = line.split()
            try:
                way, rest = words[2], words[3:]
                if way == "!":
                    fault = Fault[rest[0]]
                    continue
                data = bytes.fromhex("".join(rest))
            except (IndexError, KeyError, ValueError) as e:
                raise DriverError(f"{path}, line {number}: no line of a capture ({line.strip()[:60]!r})") from e
            if way == "<":
                came.append(data)
                continue
            if request:
                yield request, came, fault
            request, came, fault = _bare(data, link.kind), [], Fault.NONE
    if request:
        yield request, came, fault


def _bare(frame: bytes, kind: str) -> bytes:
    """Unit and PDU of a request as it was sent."""
    if kind == "modbus-tcp":
        return frame[6:]
    if kind == "modbus-ascii":
        return guard_ascii.body_of(frame[1:-2])
    return frame[:-2]
