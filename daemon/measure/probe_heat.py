"""Does the probe's temperature agree with sample that is said to flow? Pure.

Sample of a steaming boiler arrives hot; water that stands in the line cools to the room. So where sample is said to
flow, is flushed, and the probe is cooler than half way between room and boiling, and not warming, nothing flows: the
reading is of stagnant water. Only a probe that has been seen hot in flowing sample before is judged (a cooled sample,
or a sensor somewhere else, never is), and not while a neighbour blows into the same line. A temperature above boiling
at the boiler's pressure is no temperature of this water: it is not used.

Where no wire tells of the sample valve, the same probe tells instead (`stands`): sample that no longer flows cools from
poll to poll, and warms again when it does.
"""

from __future__ import annotations

from typing import Final

from daemon.core.cells import Cell, cell
from daemon.water.steam import saturation_temperature

ROOM_C: Final = 30.0
HALF_WAY: Final = 0.5
CLEARLY: Final = 0.6  # a cold probe is hot again above this share of the way
WARMING_C: Final = 1.0  # by so much from poll to poll
HOT_SEEN: Final = 12  # polls
COLD_LASTS: Final = 3  # polls
COOLED: Final = 0.04  # of the way, below what flowing sample held
FOLLOWS: Final = 0.0005  # of the way, by which that is let down at each poll: pressure falls slowly
WARMED: Final = 0.035  # of the way, above the least since it stopped
ABOVE_BOILING_C: Final = 15.0
ABOVE_LASTS_MS: Final = 10 * 60_000


@cell
class Heat(Cell):
    """`hot`: flowing polls seen hot (up to 1000); `cold`: in a row seen cold; `on`: the sample is held to be cold."""

    last: float | None = None
    hot: int = 0
    cold: int = 0
    on: bool = False
    above_ms: int = -1
    boiling_at: float = -1.0  # kPa gauge
    boiling: float = 0.0  # °C there
    stood_ms: int = -1  # the last poll that `stands` took
    top: float = 0.0  # the share of the way from room to boiling that flowing sample has lately held
    least: float = -1.0  # the least share since sample stopped flowing, -1 while it flows


def boiling(c: Heat, kpa: float) -> float:
    """Boiling temperature at a gauge pressure; worked out anew when the pressure has moved by 10 kPa."""
    if c.boiling_at < 0 or abs(kpa - c.boiling_at) > 10.0:
        c.boiling_at = max(0.0, kpa)
        try:
            c.boiling = saturation_temperature(c.boiling_at)
        except ValueError:
            c.boiling = 100.0
    return c.boiling


def cold(c: Heat, celsius: float, kpa: float, flowing: bool, neighbour: bool) -> bool:
    """Take one poll; True while sample is said to flow and the probe has gone cold."""
    last, c.last = c.last, celsius
    if not flowing or neighbour:
        return c.on
    hottest = boiling(c, kpa)
    share = (celsius - ROOM_C) / max(1.0, hottest - ROOM_C)
    if share >= (CLEARLY if c.on else HALF_WAY):
        c.on, c.cold = False, 0
        c.hot = min(1000, c.hot + 1)
        return False
    warming = last is not None and celsius - last >= WARMING_C
    c.cold = 0 if warming else c.cold + 1
    if c.hot >= HOT_SEEN and c.cold >= COLD_LASTS:
        c.on = True
    return c.on


def stands(c: Heat, celsius: float, kpa: float, t: int) -> bool:
    """For a sample whose valve is not wired: True while the probe's temperature says that none flows.

    A probe that has never been hot in sample (one behind a cooler) says nothing.
    """
    if c.hot < HOT_SEEN or t == c.stood_ms:
        return c.least >= 0
    share = (celsius - ROOM_C) / max(1.0, boiling(c, kpa) - ROOM_C)
    c.stood_ms = t
    if c.least < 0:
        c.top = max(share, c.top - FOLLOWS)
        if share < HALF_WAY or share < c.top - COOLED:
            c.least = max(0.0, share)
    elif share >= CLEARLY and share >= c.least + WARMED:
        c.least, c.top = -1.0, share
    else:
        c.least = max(0.0, min(c.least, share))
    return c.least >= 0


def above_boiling(c: Heat, celsius: float, kpa: float, t: int) -> bool:
    """True while the probe has been hotter than the boiler's water can be for ten minutes."""
    if celsius <= boiling(c, kpa) + ABOVE_BOILING_C:
        c.above_ms = -1
        return False
    c.above_ms = t if c.above_ms < 0 else c.above_ms
    return t - c.above_ms >= ABOVE_LASTS_MS
