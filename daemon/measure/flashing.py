"""Steam flashing at the probe: erratic low spikes while sample flows. Pure.

Bubbles make a contacting probe read low and jump back. A ton of boiler water cannot: its conductivity may fall, and
may rise slowly, but it does not fall by a twentieth and come back within a minute, again and again. So a spike is a
reading far below the upper part of the last ones, with neighbours before and after it that are not (the first readings
of a line that has not flushed are low too, but fell from nothing); three of them among the last
fifteen readings are flashing, and it is over when twelve readings have passed without one.
"""

from __future__ import annotations

from typing import Final

from daemon.core.cells import Cell, cell

WINDOW: Final = 12
SPIKES: Final = 3
AMONG: Final = 15
DEPTH: Final = 0.05  # of the reading (common practice, no source)
SPAN_DEPTH: Final = 0.01  # of the span
TOGETHER_MS: Final = 90_000  # readings further apart are not neighbours


@cell
class Flash(Cell):
    """The last flowing readings, and at which of them (counted by `n`) a spike ended."""

    window: tuple[float, ...] = ()
    n: int = 0
    last: float = 0.0
    last_ms: int = -1
    low: bool = False
    fell: bool = False  # the low readings now began with a fall, from a neighbour that was not low
    low_n: int = -1000  # the last low reading
    ends: tuple[int, ...] = ()
    on: bool = False


def flashing(c: Flash, raw: float, t: int, noise: float, span: float, resolution: float) -> bool:
    """Take one reading of flowing sample; True while steam flashes at the probe."""
    c.n += 1
    neighbours = 0 <= t - c.last_ms <= TOGETHER_MS
    low = False
    window = c.window
    if len(window) >= 5 and (c.low or raw < max(window) - SPAN_DEPTH * span):  # else it cannot be low
        top = sorted(window)[-3]
        depth = max(DEPTH * abs(top), SPAN_DEPTH * span, 8.0 * noise, 6.0 * resolution)
        low = raw < top - depth
        if low and not c.low:
            c.fell = neighbours
        elif low and not neighbours:
            c.fell = False
        if c.low and c.fell and not low and neighbours and raw - c.last > depth / 2:
            c.ends = (*c.ends, c.n)
    if c.ends:
        c.ends = tuple(n for n in c.ends if c.n - n < AMONG)
    if low:
        c.low_n = c.n
    if len(c.ends) >= SPIKES:
        c.on = True
    elif c.on and c.n - c.low_n >= WINDOW:
        c.on = False
    c.window = (*window, raw) if len(window) < WINDOW else (*window[1:], raw)
    c.last, c.last_ms, c.low = raw, t, low
    return c.on
