"""Conditions on a boiler's conductivity: high, very high, low, no representative sample, the probe's loop.

Limits are judged once per new representative reading; between readings nothing raises or clears. How long a reading
must be beyond its limit depends on how it was sampled:

continuous, side-stream   beyond the limit for the on-delay
timed, high or low        after `PATIENCE_MS` of open, flushed valve; or at the end of an opening; or at two samples
                          running, whichever comes first
timed, very high          a minute of flushed readings beyond the limit, or the last reading of a shorter opening
hold, high or low         at two samples running; very high at one
sample flow not wired     as continuous

Where the valve is known, an alarm of timed samples is cleared by a minute of readings inside the deadband, or by the
last reading of an opening: the first one after a flush that is a little too short clears nothing.

A reading that rests at the top of its range raises very high as "at least X" whatever the limit, and where no limit is
given at all. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

from daemon.alarms.condition import AlarmCell, Asked
from daemon.core.reasons import Quality, Reason, quality, words
from daemon.core.say import System, minutes, say
from daemon.measure.boiler_state import STEAMING
from daemon.measure.sampling import DOUBTED, interval_ms
from daemon.measure.senses import Senses
from daemon.measure.wiring import BoilerWiring

PATIENCE_MS: Final = 15 * 60_000  # a blow is given this long to bring it down (common practice, no source)
MINUTE_MS: Final = 60_000
INTERVALS_MISSED: Final = 3
SHORTEST_WAIT_MS: Final = 10 * 60_000
UNKNOWN_INTERVAL_MS: Final = 8 * 3_600_000  # the longest interval met in practice (common practice, no source)


@dataclass(frozen=True, slots=True)
class Limit:
    """Representative conductivity above (`above`) or below a limit, cleared beyond the deadband, both in uS/cm."""

    boiler: int
    wiring: BoilerWiring
    limit: float
    above: bool
    deadband: float
    very: bool
    patience_ms: int = PATIENCE_MS
    proposed: bool = False  # not written in the plant file, taken from the set point
    given: bool = True  # False: no limit is known, and only a reading at the top of its range (`limit`) is beyond

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        b = s.boilers[self.boiler]
        smp = b.sampler
        c.limit = self.limit
        if b.state.state != STEAMING or not (smp.fresh or smp.ended) or smp.value is None:
            return None
        if not self.above and not b.reached_band:
            return None
        top = smp.reason == Reason.RANGE_HIGH_END
        if smp.fresh:
            c.value = smp.value
        v = smp.value
        if self.above:
            beyond = v > self.limit or (top and self.very)
            inside = v < self.limit - self.deadband and not top
        else:
            beyond, inside = v < self.limit and not top, v > self.limit + self.deadband
        rule = self.wiring.sample_rule
        if not beyond:
            return self._within(s, c, inside)
        c.inside_ms = -1
        if rule.arrangement in ("continuous", "side-stream") or not rule.valve_known:
            return True
        # memo_ms: since when the readings of this opening are beyond; memo_n: the opening last found beyond
        running = c.memo_n not in (0, smp.of_opening)
        if c.memo_ms < 0 or running:
            c.memo_ms = s.t
        c.memo_n = smp.of_opening
        if c.active:
            return True
        if rule.arrangement == "hold":
            return True if self.very or running else None
        if self.very:
            return True if smp.ended or s.t - c.memo_ms >= MINUTE_MS else None
        patient = smp.flushed_ms >= 0 and s.t - smp.flushed_ms >= self.patience_ms
        return True if patient or smp.ended or running else None

    def _within(self, s: Senses, c: AlarmCell, inside: bool) -> bool | None:
        """The reading is not beyond the limit: cleared when it is inside the deadband for good."""
        smp, rule = s.boilers[self.boiler].sampler, self.wiring.sample_rule
        if (smp.reason in DOUBTED or smp.tail) and c.active:
            return None  # a reading in doubt clears nothing
        c.memo_ms = -1
        if smp.ended or smp.opening != c.memo_n:
            c.memo_n = 0
        if not inside:
            c.inside_ms = -1
            return c.active  # in the deadband: what stands stands, and what was only pending is over
        if not c.active or rule.arrangement != "timed" or not rule.valve_known:
            return False
        if c.inside_ms < 0 or smp.of_opening != c.inside_n:
            c.inside_ms, c.inside_n = s.t, smp.of_opening
        return False if smp.ended or s.t - c.inside_ms >= MINUTE_MS else None

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        smp = s.boilers[self.boiler].sampler
        assert smp.value is not None
        least = "at least " if smp.reason == Reason.RANGE_HIGH_END else ""
        side = "above" if self.above else "below"
        how = {"timed": "timed sample", "hold": "sample and hold"}.get(
            self.wiring.sample_rule.arrangement, "continuous sample"
        )
        where = f"{side} the limit of {say(self.limit, 'uS/cm', system)}"
        if least and not self.given:
            where = "where its range ends; no limit for very high is given"
        elif least and smp.value <= self.limit:
            where = f"where its range ends; the limit is {say(self.limit, 'uS/cm', system)}"
        return (
            f"{least}{say(smp.value, 'uS/cm', system)}, {where}; {how}, quality {quality(smp.reason).value}"
            + (f" ({words(smp.reason)})" if smp.reason else "")
            + ("; this limit is proposed from the set point, to be confirmed" if self.proposed else "")
        )

    def reading_reason(self, s: Senses) -> int:
        return s.boilers[self.boiler].sampler.reason


@dataclass(frozen=True, slots=True)
class NoSample:
    """No representative reading for several intervals' worth of steaming."""

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        b = s.boilers[self.boiler]
        if b.sampler.fresh:
            return False
        if b.state.state != STEAMING:
            return None
        longest = self._longest(s)
        c.value, c.limit = b.steamed_ms / 1000, longest / 1000
        if s.t - b.state.since_ms < SHORTEST_WAIT_MS:
            return None  # it has just begun to steam: time for a sample first
        return True if b.steamed_ms > longest else None

    def _longest(self, s: Senses) -> int:
        rule = self.wiring.sample_rule
        if rule.arrangement in ("continuous", "side-stream"):
            return SHORTEST_WAIT_MS
        every = interval_ms(s.boilers[self.boiler].sampler, rule)
        return max(SHORTEST_WAIT_MS, INTERVALS_MISSED * (every or UNKNOWN_INTERVAL_MS))

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        b = s.boilers[self.boiler]
        every = interval_ms(b.sampler, self.wiring.sample_rule)
        stated = f", a sample is expected every {minutes(every)}" if every else ""
        cut = f", {b.sampler.cut_short} samples cut short" if b.sampler.cut_short else ""
        probe = s.reasons[self.wiring.probe]
        return (
            f"{minutes(b.steamed_ms)} of steaming without a representative reading{stated}{cut}; probe: {words(probe)}"
        )

    def reading_reason(self, s: Senses) -> int:
        return s.reasons[self.wiring.probe]


@dataclass(frozen=True, slots=True)
class LoopFault:
    """The probe's 4-20 mA loop is open or shorted (NAMUR NE 43)."""

    asked: ClassVar[Asked] = Asked.EVENTS

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        why = s.reasons[self.wiring.probe]
        if why in (Reason.LOOP_OPEN, Reason.LOOP_SHORT):
            return True
        return None if s.values[self.wiring.probe] is None else False

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        return f"conductivity signal: {words(s.reasons[self.wiring.probe])}"

    def reading_reason(self, s: Senses) -> int:
        return s.reasons[self.wiring.probe]


@dataclass(frozen=True, slots=True)
class ProbeOpen:
    """The signal rests at the bottom of its range while sample flows and the boiler steams."""

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        b = s.boilers[self.boiler]
        if b.low_end_ms >= 0:
            return True
        return False if b.sampler.fresh else None

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        b = s.boilers[self.boiler]
        return f"the signal rests at the bottom of its range since {minutes(s.t - b.low_end_ms)} while sample flows"

    def reading_reason(self, s: Senses) -> int:
        return int(Reason.RANGE_LOW_END)


@dataclass(frozen=True, slots=True)
class AnalogueLimit:
    """Any other analogue signal beyond a limit of its own; cleared beyond the deadband."""

    slot: int
    unit: str
    limit: float
    above: bool
    deadband: float
    steams: int = -1  # the boiler that has to steam for it, -1: judged at any time

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if self.steams >= 0 and s.boilers[self.steams].state.state != STEAMING:
            return False  # a boiler that is off is cold and has no pressure
        v = s.values[self.slot]
        c.limit = self.limit
        if v is None or quality(s.reasons[self.slot]) is Quality.BAD:
            return None
        c.value = v
        if self.above:
            return v > self.limit or (c.active and v >= self.limit - self.deadband)
        return v < self.limit or (c.active and v <= self.limit + self.deadband)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        v = s.values[self.slot]
        side = "above" if self.above else "below"
        reads = "no value" if v is None else say(v, self.unit, system)
        return f"{reads}, {side} the limit of {say(self.limit, self.unit, system)}"

    def reading_reason(self, s: Senses) -> int:
        return s.reasons[self.slot]
