"""The condition on what comes in: feedwater far from what its conductivity usually is. Pure.

Told for the water, once, and not for every boiler that is fed with it. Figures are common practice, no source.
May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from daemon.alarms.condition import AlarmCell, Asked
from daemon.core.say import System, say
from daemon.measure import usual
from daemon.measure.senses import Senses
from daemon.measure.usual import WaterRule


@dataclass(frozen=True, slots=True)
class QualityChanged:
    """The last minutes of a measured feedwater against the band of its last week; judged once a minute."""

    asked: ClassVar[Asked] = Asked.MINUTES

    water: int  # in Wiring.waters
    rule: WaterRule

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        u = s.usuals[self.water]
        if not u.high or u.minutes < 1:
            return None
        beyond = usual.outside(u, u.level)
        if beyond == 0.0:
            # in the deadband what stands stands, and what was only pending is over
            return bool(c.active and usual.outside(u, u.level, usual.BACK))
        middle = (u.low + u.high) / 2
        c.value, c.limit = (u.level / middle - 1) * 100, (beyond / middle - 1) * 100
        return True

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        u = s.usuals[self.water]
        now, low, high = (say(x, "uS/cm", system) for x in (u.level, u.low, u.high))
        side = "above" if u.level > u.high else "below"
        known = f"{len(u.hours)} hours of steaming"
        return f"{now} over the last minutes, far {side} the {low} to {high} that {known} have taught"

    def reading_reason(self, s: Senses) -> int:
        return s.reasons[self.rule.slot]
