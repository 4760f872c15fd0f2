"""What a trend shows: one signal over some hours, its limits, strips of on and off, and the moment it is about.

Pure data, in the units shown. May import nothing of ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo

Span = tuple[int, int]
"""From and to, ms UTC."""


@dataclass(frozen=True, slots=True)
class Line:
    """The signal. `at_ms` in order; a None in `values` is a hole. `held`: a value stands until the next (a step)."""

    name: str
    unit: str
    at_ms: Sequence[int]
    values: Sequence[float | None]
    held: bool = False
    whole: bool = True  # draw from the first value to the last; False: the axis may start elsewhere than at 0


@dataclass(frozen=True, slots=True)
class Level:
    """A level line over the whole width: a limit, a set point."""

    name: str  # "limit"
    value: float


@dataclass(frozen=True, slots=True)
class Strip:
    """A row of on and off below the signal: blows, an open interlock, a burner that fires."""

    name: str
    spans: tuple[Span, ...]
    alarm: bool = False  # drawn in the colour of the alarm, not in that of running things


@dataclass(frozen=True, slots=True)
class Trend:
    """One picture. `doubtful`: when the signal was not good; `mark_ms`: the moment of the alarm, None for none."""

    from_ms: int
    to_ms: int
    line: Line | None
    levels: tuple[Level, ...] = ()
    strips: tuple[Strip, ...] = ()
    doubtful: tuple[Span, ...] = ()
    mark_ms: int | None = None
    mark_name: str = "raised"
    end_ms: int | None = None  # when it ended, drawn like the moment itself
    end_name: str = "ended"
    zone: tzinfo = field(default=UTC)
    thousands: bool = False  # 3,400 and not 3400
