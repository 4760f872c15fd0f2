"""A probe that was not compared with a hand sample for longer than the plant allows.

Judged once a minute of watched time, by the calendar. Where none is on record the time runs from when the log first
looked. Pure. May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

from dataclasses import dataclass

from daemon.alarms.condition import AlarmCell
from daemon.core.say import System
from daemon.measure.calibration import kept
from daemon.measure.senses import Senses

MINUTE_MS = 60_000
DAY_S = 86_400


@dataclass(frozen=True, slots=True)
class CalibrationDue:
    """`every_s`: the plant's `calibrate_every`. The cell's memo_ms: UTC when the log first looked."""

    boiler: int
    every_s: float

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if c.memo_ms < 0:
            c.memo_ms = s.at
        minute = s.t // MINUTE_MS + 1
        if minute == c.memo_n:
            return None
        c.memo_n = minute
        c.limit = self.every_s
        c.value = (s.at - (self._last(s) or c.memo_ms)) / 1000
        return c.value > self.every_s

    def _last(self, s: Senses) -> int:
        """UTC ms of the last comparison that was not withdrawn, 0 for none on record."""
        return max((r.at_ms for r in kept(s.boilers[self.boiler].correction) if r.how in ("log", "wall")), default=0)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        days, every = (c.value or 0.0) / DAY_S, self.every_s / DAY_S
        if self._last(s):
            return f"last compared with a hand sample {days:.0f} days ago; the plant file wants it every {every:g} days"
        return (
            f"no comparison with a hand sample on record in {days:.0f} days of this log; the plant file wants it every "
            f"{every:g} days"
        )

    def reading_reason(self, s: Senses) -> int:
        return s.boilers[self.boiler].sampler.reason
