"""One line's talk, without the line: when a request may go, whether what came is its answer, and who is left quiet.

Lives here: Talk, a state machine that is told bytes and times and never waits or reads a clock. It serves serial
lines, gateways and anything in memory. RTU and ASCII have no transaction number, so time is half of the guard: until
a module's worst answer time is over its answer may still come, and nothing may be asked that it could be taken for.
May import: config, drivers.contract, drivers.modbus, pymodbus.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU

from config.model import Link
from drivers.contract import Fault, ReadPlan
from drivers.modbus import guard, guard_ascii
from drivers.modbus.decode import Items
from drivers.modbus.functions import Refusal, Shape, encode, items
from drivers.modbus.guard import Look, Overheard
from drivers.modbus.identify import Identification, on_ascii, on_rtu
from drivers.modbus.poll import Ask
from drivers.modbus.timing import LUMP_S, answer_timeout, ascii_characters, silence, worst_answer

STILL_S: Final = 0.02
"""Seconds of silence that end what nobody asked for: adapters hand bytes over in lumps of 16 ms (common practice)."""
TOO_MUCH: Final = 4096
"""Bytes in one exchange beyond which no answer is looked for."""


@dataclass(frozen=True, slots=True)
class Framing:
    """How PDUs lie on a line."""

    build: Callable[[int, ModbusPDU], bytes]
    look: Callable[[bytes, int, Shape, bytes], Look]
    overheard: Callable[[bytes], Overheard]
    head: Callable[[int, Shape], bytes]  # how a good answer begins
    size: Callable[[Shape], int]  # of a good answer, in characters
    named: Callable[[bytes, int, bytes], bytes]  # the answer to 43/14 among what came since it was sent
    smallest: int
    gap: Callable[[int], float]  # s of silence before a request, from the baud


_FRAMER: Final = FramerRTU(DecodePDU(False))

RTU: Final = Framing(
    build=lambda unit, request: _FRAMER.buildFrame(request),
    look=guard.look,
    overheard=guard.overheard,
    head=lambda unit, shape: bytes((unit, shape.code, shape.data_bytes)),
    size=lambda shape: guard.SMALLEST + shape.data_bytes,
    named=on_rtu,
    smallest=guard.SMALLEST,
    gap=silence,
)
ASCII: Final = Framing(
    build=lambda unit, request: guard_ascii.build(bytes((unit, request.function_code)) + request.encode()),
    look=guard_ascii.look,
    overheard=guard_ascii.overheard,
    head=lambda unit, shape: b":%02X%02X" % (unit, shape.code),
    size=lambda shape: guard_ascii.SMALLEST + 2 * shape.data_bytes,
    named=on_ascii,
    smallest=guard_ascii.SMALLEST,
    gap=lambda baud: 0.0,  # a colon begins a frame whatever was before
)


@dataclass(slots=True)
class Counts:
    """What came over the line and was not used, since the link was made."""

    foreign: int = 0  # whole answers nobody waited for
    late: int = 0  # times something arrived after its request had timed out
    noise: int = 0  # bytes that belong to no frame
    masters: int = 0  # requests of another master
    echoes: int = 0  # times our own request came back


@dataclass(slots=True)
class _Missed:
    """A request without a sound answer."""

    sent: float
    line_until: float  # nobody is asked before
    unit_until: float  # the unit itself is not asked before
    heard: bool = False  # something of the unit came afterwards


class Talk:
    """The talk on one line. Instants are seconds of whatever clock the caller keeps."""

    def __init__(self, link: Link, framing: Framing) -> None:
        self._link, self._framing = link, framing
        self._gap = framing.gap(link.baud) + link.pause
        self._free_at = 0.0  # when the silence before the next request is over
        self._missed: dict[int, _Missed] = {}
        self._slow: dict[int, float] = {}  # unit seen to answer after its time: how long it took, s
        self._stray = b""
        self._stray_until = 0.0  # when the silence after what nobody asked for is over
        self.patience = link.timeout_s  # s beyond which a line that is never quiet is given up
        self._ask: Ask | None = None
        self._seen: Look | None = None
        self.echoing = False  # the last answer came after our own request
        self.counts = Counts()

    def opened(self, now: float) -> None:
        """The line has just been opened."""
        self._free_at = now + self._gap
        self.echoing = False

    # before a request

    def free_at(self, unit: int) -> float:
        """When `unit` may be asked: silence kept, and no late answer still to come."""
        return max(self._free_at, self._stray_until, self.rested(unit))

    def rested(self, unit: int) -> float:
        """Until when a late answer that could be taken for this unit's next one, or disturb it, may still come."""
        until = 0.0
        for other, missed in self._missed.items():
            # one known to be slow shall not talk into a neighbour's turn; one that is merely dead costs nothing more
            whole = other == unit or other in self._slow
            until = max(until, missed.unit_until if whole else missed.line_until)
        return until

    def disturb(self, data: bytes, now: float) -> None:
        """Bytes that came while nothing was asked. It may go on: nothing is sent until the line has been silent."""
        self._stray += data
        heard = self._framing.overheard(self._stray[-TOO_MUCH:])
        # what another master has asked for is still to be answered
        wait = self._link.timeout_s if heard.asking else max(self._gap, STILL_S + self._link.pause)
        self._stray_until = now + wait
        if heard.masters:
            self.patience = 2 * self._link.timeout_s

    def calm(self, now: float) -> None:
        """The line is silent: what was overheard is counted."""
        if self._stray:
            heard = self._framing.overheard(self._stray[-TOO_MUCH:])
            self._stray, self.patience = b"", self._link.timeout_s
            self._note(heard.answers, heard.noise, heard.masters, now)

    def never_quiet(self) -> Refusal:
        """Why nothing could be asked."""
        heard = self._framing.overheard(self._stray[-TOO_MUCH:])
        self._stray = b""
        waited, self.patience = self.patience, self._link.timeout_s
        self.counts.noise += heard.noise
        self.counts.masters += len(heard.masters)
        why = f"the line was not quiet for {waited:g} s; nothing was asked"
        if heard.masters:
            why += f". {_another(heard.masters)}"
        return Refusal(Fault.BAD_ANSWER, why, skip=True, sent=False)

    # an exchange

    def ask(self, ask: Ask, plan: ReadPlan, now: float) -> bytes:
        """The request to be sent now; its time begins."""
        unit = plan.unit
        earlier = self._missed.pop(unit, None)
        if earlier is not None and not earlier.heard:
            self._slow.pop(unit, None)  # not slow any more: silent
        self._ask, self._unit, self._data, self._seen = ask, unit, b"", None
        self._request = self._framing.build(unit, encode(ask.request, unit))
        self._waits = worst_answer(self._link, plan)
        self._worst = max(self._waits, plan.answers_within or 0.0)
        self._sent, self.deadline = now, now + answer_timeout(self._link, plan, ask.request)
        self.more = self._framing.size(ask.shape) + len(self._request) if self.echoing else self._framing.smallest
        return self._request

    def hear(self, data: bytes, now: float) -> Items | Refusal | None:
        """Bytes that came after the request; the answer, or None while there is none."""
        assert self._ask is not None
        self._data += data
        self._seen = seen = self._framing.look(self._data, self._unit, self._ask.shape, self._request)
        if not seen.pdu:
            self.more = seen.more
            return None
        self._free_at = now + self._gap
        self.echoing = seen.echoes > 0
        self._count(seen, now)
        return items(seen.pdu, self._ask.shape)

    def ask_name(self, unit: int, now: float) -> bytes:
        """The request for the names of a unit (43/14) to be sent now; its time begins. `over` ends it in vain."""
        self._missed.pop(unit, None)
        self._ask, self._unit, self._data, self._seen = None, unit, b"", None
        self._request = self._framing.build(unit, Identification(dev_id=unit))
        self._waits = self._worst = self._link.timeout_s
        longest = ascii_characters(2 * guard.LARGEST, self._link.baud)  # of both frames, in either mode
        self._sent, self.deadline = now, now + longest + self._waits + LUMP_S
        self.more = self._framing.smallest
        return self._request

    def hear_name(self, data: bytes, now: float) -> bytes:
        """Bytes that came after that request; the answer from the function code on, b"" while there is none."""
        self._data += data
        pdu = self._framing.named(self._data, self._unit, self._request)
        if pdu:
            self._free_at = now + self._gap
        return pdu

    @property
    def too_much(self) -> bool:
        """More has come than any answer could be in."""
        return len(self._data) > TOO_MUCH

    def over(self, now: float) -> Refusal:
        """The wait is over without an answer: why, and from now on the unit rests."""
        self._rests(now)
        seen, ask = self._seen, self._ask
        if seen is None or ask is None:
            return Refusal(Fault.NO_ANSWER, f"no answer within {self._waits:g} s", skip=True)
        self._count(seen, now)
        if len(self._data) == seen.echoes * len(self._request):
            return Refusal(
                Fault.NO_ANSWER,
                f"only the echo of the request came back, no answer within {self._waits:g} s",
                skip=True,
            )
        what = f"{len(self._data)} bytes without the answer asked for ({self._data[:16].hex(' ')})"
        begun = self._data[seen.echoes * len(self._request) :]
        size = self._framing.size(ask.shape)
        if begun.startswith(self._framing.head(self._unit, ask.shape)) and len(begun) < size:
            what = f"half an answer ({len(begun)} of {size} characters), then silence"
        if others := sorted(set(seen.foreign) - {self._unit}):
            what += f"; units {', '.join(map(str, others))} spoke"
        if seen.masters:
            what += f". {_another(seen.masters)}"
        return Refusal(Fault.BAD_ANSWER, what, skip=True)

    def lost(self, now: float) -> None:
        """The line was lost in an exchange: the answer may still come when it is back."""
        self._missed[self._unit] = _Missed(self._sent, 0.0, self.deadline + self._worst - self._waits)

    def _rests(self, now: float) -> None:
        """The answer did not come in time. It may still come."""
        end = max(now, self.deadline)
        more = self._worst - self._waits  # the wait was shorter than the module's worst answer time by that much
        self._missed[self._unit] = _Missed(self._sent, end + more if more else 0.0, end + self._worst)
        self._free_at = now + self._gap

    def _count(self, seen: Look, now: float) -> None:
        self.counts.echoes += seen.echoes
        self._note(seen.foreign, seen.noise, seen.masters, now)

    def _note(self, foreign: tuple[int, ...], noise: int, masters: tuple[int, ...], now: float) -> None:
        self.counts.foreign += len(foreign)
        self.counts.noise += noise
        self.counts.masters += len(masters)
        for unit in self._missed.keys() & set(foreign):
            missed = self._missed[unit]
            self.counts.late += 1
            missed.heard = True
            took = max(now - missed.sent - LUMP_S, self._slow.get(unit, 0.0))
            self._slow[unit] = took
            # as slow again, and half as much more, but never longer than three times what it was waited for
            rest = min(1.5 * took, 3 * (missed.unit_until - missed.sent))
            missed.unit_until = max(missed.unit_until, missed.sent + rest)


def _another(units: tuple[int, ...]) -> str:
    asked = ", ".join(str(u) for u in sorted(set(units)))
    return f"Another master asks on this pair (unit {asked}); a pair has one master: use a pair or a gateway of its own"
