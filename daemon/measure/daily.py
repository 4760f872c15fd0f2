"""What passed a meter on each day of the plant's calendar. Pure. May import: config, daemon.core.

A day ends with the first count of the next. Pulses of the step over midnight are shared by time, which is a matter of
one pulse where polls are close; after a longer gap the days beside it say so (DAY_SHARED). A day in which the log
began, or in which pulses were refused or lost, says that it is at least so much (DAY_NOT_WHOLE); so does one in which
pulses came below the meter's least flow (BELOW_MINIMUM_FLOW). A clock set back by
a day or less does not begin a day twice: what passes is counted for the later one.
"""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo

from daemon.core.cells import Cell, cell
from daemon.core.plant_days import day_of, midnight_ms
from daemon.core.reasons import Reason
from daemon.measure.counter import Counter
from daemon.measure.meter_spec import MeterSpec

LONG_GAP_MS: Final = 600_000
MOST: Final = 62  # days told one by one after a long outage


@cell
class Calendar(Cell):
    """The day of the plant's calendar that it is: `day` -1 before the first group."""

    day: int = -1
    from_ms: int = 0
    to_ms: int = 0

    def turn(self, at_ms: int, zone: str) -> None:
        """Follow plant time."""
        if self.from_ms <= at_ms < self.to_ms:
            return
        where = ZoneInfo(zone)
        self.day = day_of(at_ms, where)
        self.from_ms, self.to_ms = midnight_ms(self.day, where), midnight_ms(self.day + 1, where)


@cell
class Daily(Cell):
    """One meter's day. Volumes m3. `yesterday` is of the day before `day`, None when nothing is known of it."""

    day: int = -1
    begin_m3: float = 0.0
    doubt: int = 0  # why the day is not whole
    losses: int = 0  # restarts and refused pulses of the counter when the day began
    slow: int = 0  # its pulses below the least flow then
    yesterday: float | None = None
    yesterday_reason: int = 0

    def today(self, counter: Counter, spec: MeterSpec) -> tuple[float, int]:
        """m3 since midnight, and its reason."""
        return max(0.0, counter.volume(spec) - self.begin_m3), self._reason(counter)

    def follow(
        self, calendar: Calendar, counter: Counter, spec: MeterSpec, at_ms: int, zone: str
    ) -> list[tuple[float, int]]:
        """Take a count that was just believed, at `at_ms`; volume and reason of each day that ended, in order."""
        if self.day < 0 or calendar.day < self.day - 1:
            lost = self.day >= 0
            self._begin(calendar.day, self.begin_m3 if lost else counter.volume(spec), counter)
            self.doubt = int(Reason.DAY_NOT_WHOLE)
            return []
        if calendar.day <= self.day:
            return []
        ended: list[tuple[float, int]] = []
        began, ends = counter.before_ms, counter.last_elapsed_ms
        pulses, gap_ms = counter.total - counter.before_total, ends - began
        shared = int(Reason.DAY_SHARED) if pulses and gap_ms > LONG_GAP_MS else 0
        where = ZoneInfo(zone)
        for day in range(max(self.day + 1, calendar.day - MOST), calendar.day + 1):
            since = ends - (at_ms - midnight_ms(day, where)) - began
            part = min(max(since / gap_ms, 0.0), 1.0) if gap_ms > 0 else 0.0
            edge = counter.volume_of(counter.before_total + int(pulses * part), spec)
            ended.append((max(0.0, edge - self.begin_m3), self._reason(counter) or shared))
            self._begin(day, edge, counter)
            self.doubt = shared
        self.yesterday, self.yesterday_reason = ended[-1]
        return ended

    def _reason(self, counter: Counter) -> int:
        lost = counter.restarts + counter.refused != self.losses
        if self.doubt or lost:
            return self.doubt or int(Reason.DAY_NOT_WHOLE)
        return int(Reason.BELOW_MINIMUM_FLOW) if counter.slow != self.slow else 0

    def _begin(self, day: int, at_m3: float, counter: Counter) -> None:
        if day != self.day + 1:
            self.yesterday, self.yesterday_reason = None, 0
        self.day, self.begin_m3, self.doubt = day, at_m3, 0
        self.losses, self.slow = counter.restarts + counter.refused, counter.slow
