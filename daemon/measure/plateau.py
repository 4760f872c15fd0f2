"""Has a sample settled? A reading is compared with the one some ten seconds before it, in the same opening. Pure.

Within the tolerance it stands on its plateau; beyond it the reading is uncertain, and beyond five times the tolerance
it is none of the boiler's. The tolerance is one per cent of the reading or of the span (common practice, no source),
more by what a blow can take out of the water meanwhile.
"""

from __future__ import annotations

from typing import Final

SETTLED, MOVING, FAR = 0, 1, 2
LOOK_BACK_MS: Final = 10_000
TOLERANCE: Final = 0.01
FAR_TIMES: Final = 5.0
BLOW_PER_MS: Final = 0.0004 / 1000  # of the reading

Recent = tuple[tuple[int, float], ...]
"""The readings of one opening that are still needed: elapsed ms and value, the oldest first."""


def with_reading(recent: Recent, t: int, value: float) -> Recent:
    """Add a reading; keep one that is old enough to compare with, and what is younger."""
    kept = (*recent, (t, value))
    while len(kept) >= 2 and t - kept[1][0] >= LOOK_BACK_MS:
        kept = kept[1:]
    return kept


def verdict(recent: Recent, span: float) -> int:
    """SETTLED, MOVING or FAR; a single reading has nothing against it."""
    if len(recent) < 2:
        return SETTLED
    (before_ms, before), (t, value) = recent[0], recent[-1]
    size = max(abs(before), abs(value))
    allowed = TOLERANCE * max(size, span) + BLOW_PER_MS * size * (t - before_ms)
    moved = abs(value - before)
    return SETTLED if moved <= allowed else MOVING if moved <= FAR_TIMES * allowed else FAR
