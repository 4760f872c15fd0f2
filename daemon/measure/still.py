"""A value that repeats exactly for longer than its own noise allows: stuck. Pure.

Only a live signal is judged, and only by polls at which sample flowed. How often a poll repeats the one before it,
given that that one repeated too, is counted while the signal moves: it is what this converter's resolution and this
signal's noise make usual. A run of repeats weighs the sum of -ln of that share; at `STUCK` (one in a thousand million)
and ten minutes it is no chance any more. Where counts are coarser than noise it is drift that ends a run, and no
chance at all: so a run must also be ten times the longest one that ended by itself; such a signal takes hours. One
that never moves at all cannot be told from a perfectly still one until `NEVER_MOVED_MS` of flowing sample have passed
on a fine converter.
"""

from __future__ import annotations

from math import log
from typing import Final

from daemon.core.cells import Cell, cell

STUCK: Final = 20.7  # -ln of 1e-9
LEAST_REPEATS: Final = 12
LEAST_MS: Final = 10 * 60_000
LONGEST_TIMES: Final = 10.0
LEARNED: Final = 360.0  # polls with flowing sample before anything is said
KEPT: Final = 50_000.0  # then older polls count half
FINE: Final = 0.001  # of span: a converter so fine shows every signal's noise
NEVER_MOVED_MS: Final = 4 * 24 * 3_600_000


@cell
class Still(Cell):
    """`run`: polls in a row that repeated; `pairs`, `after`, `again`: polls compared, those that followed a repeat,
    and those among them that repeated again. `flowed_ms` counts flowing time since the last change."""

    last: float | None = None
    run: int = 0
    weight: float = 0.0
    last_ms: int = -1
    flowed_ms: int = 0
    pairs: float = 0.0
    after: float = 0.0
    again: float = 0.0
    longest: float = 0.0  # run that ended by itself


def stuck(c: Still, raw: float, t: int, flowing: bool, share_of_span: float) -> bool:
    """Take one poll of a live signal; True while it is stuck. `share_of_span`: one count, 0 for fractions."""
    since, c.last_ms = (t - c.last_ms if c.last_ms >= 0 else 0), t
    if raw != c.last:
        _moved(c, raw)
        return False
    if flowing:
        c.run += 1
        c.flowed_ms += min(since, 300_000)
        c.weight -= log((c.again + 3.0) / (c.after + 5.0))
    if c.flowed_ms < LEAST_MS or c.run < LEAST_REPEATS:
        return False
    if c.pairs >= LEARNED:
        return c.weight >= STUCK and c.run >= LONGEST_TIMES * c.longest
    return c.pairs == 0 and 0 < share_of_span <= FINE and c.flowed_ms >= NEVER_MOVED_MS


def _moved(c: Still, raw: float) -> None:
    fault = c.weight >= STUCK and c.flowed_ms >= LEAST_MS and c.run >= LONGEST_TIMES * c.longest
    if c.last is not None and not (fault and c.pairs >= LEARNED):  # a fault teaches nothing
        c.longest = max(c.longest, float(c.run))
        c.pairs += c.run + 1.0
        if c.run:
            c.after += c.run
            c.again += c.run - 1.0
        if c.pairs > KEPT:
            c.pairs, c.after, c.again, c.longest = c.pairs / 2, c.after / 2, c.again / 2, c.longest * 0.7
    c.last, c.run, c.weight, c.flowed_ms = raw, 0, 0.0, 0
