"""Conditions on the probe's signal itself: value stuck, steam at the probe, fouling, a step.

The verdicts are made where the signal is read (`daemon.measure.watch`, `drift`); here they become alarms. A signal that
is held, or that no sample reaches, is not judged: such a poll neither raises nor clears. Figures are common practice,
no source. Pure. May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

from daemon.alarms.condition import AlarmCell, Asked
from daemon.core.reasons import Reason
from daemon.core.say import System, minutes, say
from daemon.measure import flashing, watch
from daemon.measure.calibration import drifted
from daemon.measure.drift import CLEAN_AT
from daemon.measure.senses import BoilerCell, Senses, good_value
from daemon.measure.wiring import BoilerWiring

HOUR_MS: Final = 3_600_000
DAY_MS: Final = 24 * HOUR_MS
BETTER: Final = 0.8  # of the loss that raises: less clears
TOLD_FOR_MS: Final = DAY_MS  # a step that nobody has explained by then is the new state of things


@dataclass(frozen=True, slots=True)
class Verdict:
    """A verdict on the signal of flowing sample: `reason` is VALUE_STUCK or STEAM_AT_PROBE."""

    boiler: int
    wiring: BoilerWiring
    reason: int

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        b = s.boilers[self.boiler]
        if not watch.judged(b.watch, s.t):
            return None
        if b.watch.reason != self.reason:
            return False
        c.value = s.values[self.wiring.probe]
        return True

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        b = s.boilers[self.boiler]
        if self.reason == Reason.VALUE_STUCK:
            return self._stuck(b, system)
        return self._steam(s, b, system)

    def _stuck(self, b: BoilerCell, system: System) -> str:
        still = b.watch.still
        shown = "the signal" if still.last is None else say(still.last, "uS/cm", system)
        text = f"{shown} repeated exactly in {still.run + 1} polls, {minutes(still.flowed_ms)} of flowing sample"
        if still.pairs:
            return f"{text}; this signal never stood still for more than {still.longest + 1:.0f} polls before"
        return f"{text}; it has not moved since the log first looked"

    def _steam(self, s: Senses, b: BoilerCell, system: System) -> str:
        flash = b.watch.flash
        low, high = min(flash.window), max(flash.window)
        text = (
            f"{len(flash.ends)} low spikes among the last {flashing.AMONG} readings of flowing sample, between "
            f"{say(low, 'uS/cm', system)} and {say(high, 'uS/cm', system)}"
        )
        pressure = good_value(s, self.wiring.steam_pressure)
        return text if pressure is None else f"{text}; boiler pressure {say(pressure, 'kPa', system)}"

    def reading_reason(self, s: Senses) -> int:
        return self.reason


@dataclass(frozen=True, slots=True)
class Fouling:
    """By comparisons with hand samples since it was new or cleaned, the probe has lost so much of its sensitivity.

    Judged once an hour of watched time and when a comparison is new; the line through the comparisons, and the bound
    of 95 % on it, are `daemon.measure.drift`'s.
    """

    asked: ClassVar[Asked] = Asked.MINUTES

    boiler: int

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        records = s.boilers[self.boiler].correction.records
        mark = mark_of(records, s.t)
        if c.memo_ms == mark:
            return None
        c.memo_ms = mark
        d = drifted(s.boilers[self.boiler].correction, s.at)
        c.limit = CLEAN_AT
        if d.lost is None:
            return False
        c.value = d.lost
        if c.active:
            return d.lost >= BETTER * CLEAN_AT
        return d.cleaning == "due"

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        d = drifted(s.boilers[self.boiler].correction, s.at)
        if d.lost is None or d.per_month is None:
            return ""
        between = f" ({d.lost_low:.0f} to {d.lost_high:.0f} %)" if d.lost_low is not None and d.lost_high else ""
        return (
            f"by {d.points} comparisons with hand samples it has lost {d.lost:.0f} % of its sensitivity{between}, "
            f"{d.per_month:+.1f} % a month; cleaning falls due at {CLEAN_AT:g} %"
        )

    def reading_reason(self, s: Senses) -> int:
        return s.boilers[self.boiler].sampler.reason


def mark_of(records: tuple[tuple[object, ...], ...], t: int) -> int:
    """Changes once an hour, and with every record that is kept or withdrawn."""
    undone = sum(r[2] == "undone" for r in records)
    return (t // HOUR_MS * 64 + len(records)) * 64 + undone


@dataclass(frozen=True, slots=True)
class Stepped:
    """The reading jumped further than its boiler's water can, and stayed there: as at a calibration or a new range.

    It stands until a calibration from about that time is on record, or for a day.
    """

    asked: ClassVar[Asked] = Asked.MINUTES

    boiler: int

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        b = s.boilers[self.boiler]
        step = b.watch.rate
        if step.stepped_ms < 0:
            return False
        age = s.t - step.stepped_ms
        if age >= TOLD_FOR_MS or b.correction.break_at_ms >= s.at - age - HOUR_MS:
            return False
        c.value, c.limit = step.step_to, None
        return True

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        step = s.boilers[self.boiler].watch.rate
        share = f" ({(step.step_to / step.step_from - 1) * 100:+.0f} %)" if step.step_from > 0 else ""
        return (
            f"stepped from {say(step.step_from, 'uS/cm', system)} to {say(step.step_to, 'uS/cm', system)}{share}, "
            "faster than this boiler's water can change, and stayed there; no calibration is on record"
        )

    def reading_reason(self, s: Senses) -> int:
        return s.boilers[self.boiler].sampler.reason
