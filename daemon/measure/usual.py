"""What a water's conductivity usually is: a week of hourly means, and how the last minutes compare with them. Pure.

Sampled once a minute while a boiler it serves steams, as it comes in the plant: no model of it. The band between the
means that one hour in twenty is below and above is what is usual, from two days of steaming on; what is far outside it
is not learned from, unless it lasts for three days: then it is the new usual. Figures are common practice, no source.
May import: daemon.core.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from daemon.core.cells import Cell, cell

HOURS: Final = 168
LEARNED: Final = 48
EDGE: Final = 0.05  # of the hours are outside the band, at each end
MORE: Final = 1.3  # times the upper edge: changed
LESS: Final = 0.6  # times the lower edge
BACK: Final = 0.4  # of the way from the edge to what is changed: less is usual again
LEAST_US_CM: Final = 5.0  # beyond the band: what two readings of pure water differ by
SMOOTH: Final = 1 / 15  # minutes
ACCEPTED_H: Final = 72
MINUTES: Final = 60  # of steaming make an hour


@dataclass(frozen=True, slots=True)
class WaterRule:
    """A water whose conductivity is measured: its analogue's name and slot, and the boilers that are fed with it."""

    name: str
    slot: int
    boilers: tuple[int, ...]


@cell
class Usual(Cell):
    """`level`: the last minutes, smoothed; `low` and `high`: the band, 0 until it is known. uS/cm."""

    level: float = 0.0
    minutes: int = 0  # in a row that `level` rests on
    total: float = 0.0  # of the hour being filled
    n: int = 0
    hours: tuple[float, ...] = ()
    low: float = 0.0
    high: float = 0.0
    outside: int = 0  # hours in a row that were far outside the band


def follow(c: Usual, value: float | None) -> None:
    """Take one minute's reading; None while no boiler steams, or it is bad: then the last minutes start anew."""
    if value is None:
        c.minutes = 0
        return
    c.level = value if not c.minutes else c.level + (value - c.level) * max(SMOOTH, 1 / (c.minutes + 1))
    c.minutes += 1
    c.total, c.n = c.total + value, c.n + 1
    if c.n >= MINUTES:
        _hour(c, c.total / c.n)
        c.total, c.n = 0.0, 0


def _hour(c: Usual, mean: float) -> None:
    if c.high and outside(c, mean) != 0.0:
        c.outside += 1
        if c.outside < ACCEPTED_H:
            return
        c.hours = ()  # what came instead is what is usual now
        c.low = c.high = 0.0
    c.outside = 0
    c.hours = (*c.hours, mean)[-HOURS:]
    if len(c.hours) >= LEARNED:
        ordered = sorted(c.hours)
        k = int(EDGE * len(ordered))
        c.low, c.high = ordered[k], ordered[-1 - k]


def limits(c: Usual, share: float = 1.0) -> tuple[float, float]:
    """Below and above which it has changed, uS/cm; `share` of the way there from the band."""
    below = c.low - max(LEAST_US_CM, (1 - LESS) * c.low) * share
    return below, c.high + max(LEAST_US_CM, (MORE - 1) * c.high) * share


def outside(c: Usual, value: float, share: float = 1.0) -> float:
    """The limit that a value is beyond, 0 where it is beyond none."""
    below, above = limits(c, share)
    return above if value > above else below if value < below else 0.0
