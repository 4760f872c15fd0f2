"""Numbers that a text instrument prints: to the base unit of their range, and the verdict where they leave it.

Pure. May import: config, daemon.core. There is no loop behind such a number, so NAMUR NE 43 says nothing of it. More
than 2 % of the span outside the range it is uncertain (common practice, no source).
"""

from __future__ import annotations

from typing import Final

from config.model import Range
from daemon.core.reasons import Reason

OUTSIDE: Final = 0.02
"""The share of the span by which a number may leave its range."""


def straight(r: Range) -> tuple[float, float, float]:
    """(number at the low end, value there, value a unit), such that a number in the base unit is itself the value."""
    gain = (r.high - r.low) / (r.high_ma - r.low_ma)
    return 0.0, r.low - r.low_ma * gain, gain


def ends(r: Range) -> tuple[float, float]:
    """The lowest and the highest number that is good."""
    low, high = sorted((r.low_ma, r.high_ma))
    more = OUTSIDE * (high - low)
    return low - more, high + more


def reason(number: float, r: Range) -> Reason:
    """GOOD, BELOW_RANGE or ABOVE_RANGE."""
    low, high = ends(r)
    if low <= number <= high:
        return Reason.GOOD

    return Reason.BELOW_RANGE if number < low else Reason.ABOVE_RANGE
