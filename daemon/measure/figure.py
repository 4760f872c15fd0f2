"""One derived figure and the reasons common to all: a value or none, and why it is not plainly good. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from daemon.core.reasons import Quality, Reason, quality
from daemon.measure.window import HOUR_MS, Sums

FULL_MS: Final = 20 * HOUR_MS  # so much of a day watched counts as a day


@dataclass(frozen=True, slots=True)
class Figure:
    """A derived tag's value, None where there is none; its reason is bad then."""

    tag: int
    value: float | None
    reason: int

    def __post_init__(self) -> None:
        assert (self.value is None) == (quality(self.reason) is Quality.BAD), self


def first_reason(*reasons: int) -> int:
    """The first that is not good; a bad one goes before the others."""
    found = 0
    for r in reasons:
        if r and quality(r) is Quality.BAD:
            return r
        found = found or r
    return found


def whole_day(sums: Sums) -> int:
    """LESS_THAN_A_DAY while too little of the window was watched, else 0. Quantity 0 is watched time."""
    return 0 if sums.of(0) >= FULL_MS else int(Reason.LESS_THAN_A_DAY)
