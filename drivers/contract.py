"""What every driver promises: counts or a reason, never an exception for a bad bus, never a write.

Lives here: the request a link's owner hands to a driver, the answer it gets, the faults a bus can show.
May import: config. A driver has no write function at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final, Protocol, runtime_checkable

from config.model import Channel

Count = int | float
"""A decoded register value: whole for integer types and bits (0 or 1), float for f32 and f64."""


class Fault(IntEnum):
    """Why there is no count. The numbers are the same as in `daemon.core.reasons.Reason`."""

    NONE = 0
    NO_ANSWER = 1  # silence until the timeout
    LINK_DOWN = 2  # no connection, or the port is gone
    BAD_ANSWER = 3  # wrong unit, function, length or checksum; noise
    NOT_A_NUMBER = 4  # a float register holding NaN or infinity, BCD with a digit above 9
    NOT_POLLED = 5  # held back: the module is silent and its next try is not due
    STOPPING = 6  # the service is ending
    NOT_AVAILABLE = 7  # the module itself says that it has no value (`Channel.not_available`)
    # of registers that reading clears it is told whether they may have been read:
    NOT_ASKED = 8  # they were not: their turn did not come, or the module fell silent before
    CUT_OFF = 9  # they may have been: the link was lost, or closed, while the answer was awaited
    REFUSED_1 = 17  # exception codes of the module: illegal function
    REFUSED_2 = 18  # illegal data address
    REFUSED_3 = 19  # illegal data value
    REFUSED_4 = 20  # server device failure
    REFUSED_5 = 21  # acknowledge
    REFUSED_6 = 22  # server device busy
    REFUSED_7 = 23  # negative acknowledge
    REFUSED_8 = 24  # memory parity error
    REFUSED_9 = 25
    REFUSED_10 = 26  # gateway path unavailable
    REFUSED_11 = 27  # gateway target device failed to respond
    REFUSED_OTHER = 28  # a code the specification does not list


def refused(code: int) -> Fault:
    """The fault for a Modbus exception code (1..11 by number, any other as REFUSED_OTHER)."""
    return Fault(16 + code) if 1 <= code <= 11 else Fault.REFUSED_OTHER


@dataclass(frozen=True, slots=True)
class Request:
    """One read of the bus: `count` bits or registers of `function` from `address` on."""

    function: str  # coil, discrete, holding, input
    address: int
    count: int


@dataclass(frozen=True, slots=True)
class Pick:
    """Where one channel's value lies: in the answer of `requests[request]`, `offset` items in."""

    request: int
    offset: int
    channel: Channel


@dataclass(frozen=True, slots=True)
class ReadPlan:
    """All of one module's reads for a poll; `picks` in the order of the module's channels in the plant file."""

    module: str
    unit: int
    requests: tuple[Request, ...]
    picks: tuple[Pick, ...]
    answers_within: float | None = None  # s, the module's worst answer time, None where the plant file does not say
    clears: frozenset[int] = frozenset()  # picks that lie in registers which reading clears, by number


_NOTHING: Final = frozenset({Fault.NO_ANSWER, Fault.LINK_DOWN, Fault.BAD_ANSWER, Fault.NOT_ASKED, Fault.CUT_OFF})


@dataclass(frozen=True, slots=True)
class Answer:
    """What one poll of a module gave: a count or a fault for each pick, in the order of `ReadPlan.picks`.

    `counts[i]` is None exactly where `faults[i]` is not NONE. `detail` is one line for the log, "" when all is well.
    """

    counts: tuple[Count | None, ...]
    faults: tuple[Fault, ...]
    detail: str = ""

    @property
    def silent(self) -> bool:
        """True when the module gave nothing at all: what back-off counts."""
        return bool(self.faults) and all(f in _NOTHING for f in self.faults)


def nothing(plan: ReadPlan, fault: Fault, detail: str = "", *, clears: Fault | None = None) -> Answer:
    """An answer without a single count. `clears`: the fault of picks that reading clears, where it is another."""
    n = len(plan.picks)
    faults = tuple(clears if clears is not None and i in plan.clears else fault for i in range(n))
    return Answer((None,) * n, faults, detail)


class DriverError(Exception):
    """The one root of errors of drivers (wrong settings; never a bad bus)."""


class Driver(Protocol):
    """One link. Owned by one task; calls never overlap."""

    async def connect(self) -> str:
        """Try to open the link now; "" when it is open, else one sentence: what, where, what to do."""
        ...

    async def read(self, plan: ReadPlan) -> Answer:
        """Poll one module. Opens or reopens the link by itself. Never raises for a bad bus."""
        ...

    async def aclose(self) -> None:
        """Close the link at once, ending a read in flight."""
        ...


@runtime_checkable
class Identifies(Protocol):
    """A driver of a link whose units can be asked who they are."""

    async def identify(self, unit: int) -> bytes:
        """What a unit answers to Modbus function 43/14, from the function code on; b"" when nothing usable came.

        Never raises for a bad bus. Only between reads: calls never overlap.
        """
        ...
