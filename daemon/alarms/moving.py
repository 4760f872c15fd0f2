"""An analogue signal that moves faster than the plant allows, up or down. Pure.

The rate is the slope of a first-order average: exact for a signal that moves steadily, and a single step of the signal
fades within its time. May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from config.units import plain
from daemon.alarms.condition import AlarmCell
from daemon.core.reasons import Quality, quality
from daemon.core.say import System, minutes
from daemon.measure.senses import Senses

CLEARS_AT: Final = 0.8  # of the limit (common practice, no source)
HOUR_MS: Final = 3_600_000.0


@dataclass(frozen=True, slots=True)
class RateLimit:
    """A signal's rate beyond a limit; `limit` and `unit` as written an hour, `factor` base units in one as written."""

    slot: int
    unit: str
    limit: float
    over_ms: int
    factor: float

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        v = s.values[self.slot]
        c.limit = self.limit
        if v is None or quality(s.reasons[self.slot]) is Quality.BAD:
            return None
        dt = s.t - c.memo_ms
        if c.memo is None or c.memo_ms < 0 or dt > self.over_ms:
            c.memo, c.memo_ms, c.value = v, s.t, 0.0  # nothing to compare it with
            return None
        if dt <= 0:
            return None
        share = -math.expm1(-dt / self.over_ms)
        slope = (v - c.memo) * share / dt
        c.memo, c.memo_ms = c.memo + (v - c.memo) * share, s.t
        c.value = slope * HOUR_MS / self.factor
        return abs(c.value) > self.limit * (CLEARS_AT if c.active else 1.0)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        value = c.value or 0.0
        way = "rises" if value > 0 else "falls"
        return (
            f"it {way} by {plain(abs(value))} {self.unit}, averaged over {minutes(self.over_ms)}; "
            f"the limit is {plain(self.limit)} {self.unit} either way"
        )

    def reading_reason(self, s: Senses) -> int:
        return s.reasons[self.slot]
