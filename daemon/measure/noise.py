"""The noise of a flowing sample's signal against its own history. Pure.

Noise is taken from second differences of neighbouring readings, which a steady climb or fall does not touch. Its
short mean is over some twenty readings, its long one over some two thousand. Four times the long mean for ten
readings is grown; twice and a half ends it. Grown noise teaches the long mean nothing.
"""

from __future__ import annotations

from typing import Final

from daemon.core.cells import Cell, cell

SHORT: Final = 1 / 20
LONG: Final = 1 / 2000
LEARNED: Final = 300
GROWN: Final = 4.0
OVER: Final = 2.5
LASTS: Final = 10
CLIP: Final = 8.0
FLOOR_SPAN: Final = 0.0005  # of span: less is no noise worth a word
MEAN_TO_SD: Final = 1 / 1.954  # of |x - 2y + z| of independent normal noise: sqrt(6) * sqrt(2 / pi)
EVEN: Final = 1.6  # neighbours are at most so unevenly apart


@cell
class Noise(Cell):
    """Standard deviations `short` and `long` in the unit of the signal; `n` differences seen."""

    a: float = 0.0
    b: float = 0.0
    a_ms: int = -1
    b_ms: int = -1
    short: float = 0.0
    long: float = 0.0
    n: int = 0
    above: int = 0
    on: bool = False


def grown(c: Noise, raw: float, t: int, span: float, resolution: float, longest_ms: int) -> bool:
    """Take one reading of flowing sample; True while it is noisier than it used to be."""
    a, b, a_ms, b_ms = c.a, c.b, c.a_ms, c.b_ms
    c.a, c.a_ms, c.b, c.b_ms = b, b_ms, raw, t
    if a_ms < 0 or t - b_ms > longest_ms or b_ms - a_ms > longest_ms or t <= b_ms:
        return c.on
    first, second = b_ms - a_ms, t - b_ms
    if first > EVEN * second or second > EVEN * first:
        return c.on
    seen = abs(raw - 2 * b + a) * MEAN_TO_SD
    c.n += 1
    floor = max(FLOOR_SPAN * span, resolution)
    usual = max(c.long, floor)
    c.short += (min(seen, CLIP * GROWN * usual) - c.short) * max(SHORT, 1 / c.n)
    if c.n > LEARNED:
        c.above = c.above + 1 if c.short > GROWN * usual else 0
        c.on = c.above >= LASTS or (c.on and c.short > OVER * usual)
    if not c.on and not c.above:
        c.long += (min(seen, CLIP * usual) - c.long) * max(LONG, 1 / c.n)
    return c.on


def usual(c: Noise) -> float:
    """The signal's own noise (standard deviation), 0 while too little has been seen."""
    return c.long if c.n >= 60 else 0.0


def forget(c: Noise) -> None:
    """What came before is no neighbour of what comes next."""
    c.a_ms = c.b_ms = -1
