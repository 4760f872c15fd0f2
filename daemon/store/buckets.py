"""Which stretch of time a reading falls in: of equal length, or days of the plant's calendar. Pure.

Imports nothing of ours but the calendar. Indices rise with time and stand for UTC instants, dates corrected.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from daemon.core.plant_days import day_of, midnight_ms

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 3_600_000
DAY_MS: Final = 86_400_000


class Buckets(Protocol):
    """Stretches that follow each other without a hole. `level`: the longest roll-up they are whole multiples of."""

    @property
    def level(self) -> int:
        """-1 full data, 0 minutes, 1 hours, 2 days."""
        ...

    def index(self, at_ms: int) -> int: ...

    def indices(self, at_ms: list[int], shift_ms: int) -> list[int]:
        """The index of each of many instants, moved by `shift_ms`."""
        ...

    def begin(self, index: int) -> int:
        """When a stretch begins; it ends where the next one begins."""
        ...


@dataclass(frozen=True, slots=True)
class Even:
    """Stretches of `step_ms` each, counted from `origin_ms`."""

    step_ms: int
    origin_ms: int = 0

    @property
    def level(self) -> int:
        if self.origin_ms % MINUTE_MS or self.step_ms % MINUTE_MS:
            return -1
        return 0 if self.origin_ms % HOUR_MS or self.step_ms % HOUR_MS else 1

    def holds_whole(self, length_ms: int, shift_ms: int) -> bool:
        """Does every row of `length_ms`, begun on a multiple of it and then moved by `shift_ms`, lie whole in one?"""
        return not (self.step_ms % length_ms or (self.origin_ms - shift_ms) % length_ms)

    def index(self, at_ms: int) -> int:
        return (at_ms - self.origin_ms) // self.step_ms

    def indices(self, at_ms: list[int], shift_ms: int) -> list[int]:
        moved, step = shift_ms - self.origin_ms, self.step_ms
        return [(t + moved) // step for t in at_ms]

    def begin(self, index: int) -> int:
        return self.origin_ms + index * self.step_ms


@dataclass(slots=True)
class Days:
    """Stretches of `days` days each of a plant's calendar, 23 to 25 hours a day."""

    zone: ZoneInfo
    days: int = 1
    _from: int = 0  # the stretch asked for last: most often the next question is about it too
    _until: int = 0
    _index: int = 0

    @property
    def level(self) -> int:
        return 2

    def index(self, at_ms: int) -> int:
        if not self._from <= at_ms < self._until:
            self._index = day_of(at_ms, self.zone) // self.days
            self._from, self._until = self.begin(self._index), self.begin(self._index + 1)
        return self._index

    def indices(self, at_ms: list[int], shift_ms: int) -> list[int]:
        return [self.index(t + shift_ms) for t in at_ms]

    def begin(self, index: int) -> int:
        return midnight_ms(index * self.days, self.zone)


def fitting(from_ms: int, to_ms: int, points: int, zone: ZoneInfo) -> Buckets:
    """The shortest stretches of which at most `points` touch a time, whole multiples of a roll-up where they can be.

    Below a minute any length will do; from half a day on they are whole days.
    """
    if points < 1 or to_ms <= from_ms:
        raise ValueError(f"a trend wants at least one point and a time; found {points} points, {to_ms - from_ms} ms")
    least = (to_ms - from_ms) / points
    if points < 2 or least > DAY_MS / 2:
        n = max(1, math.ceil((to_ms - from_ms) / DAY_MS / points))
        while _touched(days := Days(zone, n), from_ms, to_ms) > points and n < 4_000_000:
            n += max(1, n // 64)
        if _touched(days, from_ms, to_ms) <= points:
            return days
        return Even(to_ms - from_ms, from_ms)  # midnight lies within, and only one point is wanted
    for unit, most in ((1, MINUTE_MS), (MINUTE_MS, HOUR_MS), (HOUR_MS, DAY_MS)):
        n = max(1, math.ceil(least / unit))
        while n * unit < most or unit == HOUR_MS:
            even = Even(n * unit)
            if _touched(even, from_ms, to_ms) <= points:
                return even
            n += 1
    raise AssertionError("unreachable: hours grow until they fit")


def _touched(buckets: Buckets, from_ms: int, to_ms: int) -> int:
    return buckets.index(to_ms - 1) - buckets.index(from_ms) + 1
