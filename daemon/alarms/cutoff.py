"""Conditions of the low-water cut-off: low water itself, a burner that fires on, a test that nobody has seen. Pure.

Low water is held back for one thing alone: a contact that `daemon.measure.cutoff` takes as a declared test, for the
stated time at most. May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from daemon.alarms.condition import AlarmCell, Asked
from daemon.alarms.contacts import ContactSays
from daemon.core.say import System, minutes
from daemon.measure.senses import Senses
from daemon.measure.wiring import BoilerWiring


@dataclass(frozen=True, slots=True)
class LowWater(ContactSays):
    """The low water contact is on, and it is no declared test of the cut-off."""

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if s.boilers[self.boiler].cutoff.held:
            return None
        return ContactSays.judge(self, s, c)


@dataclass(frozen=True, slots=True)
class BurnerFiresOn:
    """The low water contact is on, and the burner fires longer than a passed test allows."""

    asked: ClassVar[Asked] = Asked.EVENTS

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        cut = s.boilers[self.boiler].cutoff
        if cut.failed:
            c.value, c.limit = cut.lasted_ms / 1000, self.wiring.cutoff.stops_ms / 1000
        return cut.failed

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        cut = s.boilers[self.boiler].cutoff
        text = f"the low water contact is on for {minutes(cut.lasted_ms)} and the burner is firing"
        return text + ("; cut-off tests are declared for this hour" if cut.longest_ms else "; no cut-off test declared")

    def reading_reason(self, s: Senses) -> int:
        return s.contact_reasons[self.wiring.low_water.slot]


@dataclass(frozen=True, slots=True)
class TestNotSeen:
    """No test of the cut-off at which the burner was seen to stop, for longer than the plant agreed on."""

    asked: ClassVar[Asked] = Asked.MINUTES

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        cut, every_ms = s.boilers[self.boiler].cutoff, self.wiring.cutoff.every_ms
        since = max(cut.proven_at, cut.since_at)
        if since == 0:
            return None
        c.value, c.limit = (s.at - since) / 1000, every_ms / 1000
        return s.at - since > every_ms

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        cut = s.boilers[self.boiler].cutoff
        agreed = f"agreed: every {minutes(self.wiring.cutoff.every_ms)}"
        if cut.proven_at:
            text = f"last test at which the burner was seen going out: {minutes(s.at - cut.proven_at)} ago; {agreed}"
        else:
            text = (
                f"no test at which the burner stopped was seen in {minutes(s.at - cut.since_at)} of watching; {agreed}"
            )
        return text + (f"; last seen: {cut.last}" if cut.last_at > cut.proven_at else "")

    def reading_reason(self, s: Senses) -> int:
        return s.contact_reasons[self.wiring.low_water.slot]
