"""Conditions on what the house shares: chemical pumps, tanks, and meters that count while nothing should flow.

They join what `daemon.measure` already finds with the alarms: the verdict on a pump's pacing, a tank's level and what
was drawn from it, a meter's total. Figures are common practice, no source. Pure. May import: daemon.core,
daemon.measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

from daemon.alarms.condition import AlarmCell, Asked
from daemon.core.figure_tags import PACING
from daemon.core.say import System, minutes, say
from daemon.core.tags import STATES
from daemon.measure import pacing
from daemon.measure.boiler_state import DRAINED, OFF
from daemon.measure.dosing_rules import DRAWN, KNOWN, L_PER_M3, PumpRule, TankRule
from daemon.measure.senses import Senses, good_value, role_now
from daemon.measure.window import HOUR_MS
from daemon.measure.wiring import MeterWiring, Role, TankWiring

EMPTY: Final = 2.0  # % of the full level: what a suction line still reaches
LEVEL_DEADBAND: Final = 2.0  # % of the full level
DRAWN_OVER_MS: Final = 6 * HOUR_MS  # a use shorter than this tells no days left
DAY_MS: Final = 24 * HOUR_MS
OVERRUN_MS: Final = 4 * HOUR_MS  # on without a break, where the plant file states no run
OVERRUN_FACTOR: Final = 1.5  # of a stated run
SETTLE_MS: Final = HOUR_MS  # after the last boiler went off: the feedwater tank fills up
WINDOW_MS: Final = 15 * 60_000
LEAST_PULSES: Final = 3  # in a window: one may come of a pulse head on the edge, a second of a last drop
LEAST_SHARE: Final = 0.01  # of the most that the meter passes


@dataclass(frozen=True, slots=True)
class TankLevel:
    """A tank's level below `limit`, in % of its full level. `rule`: what was drawn from it, where that is known."""

    asked: ClassVar[Asked] = Asked.MINUTES

    tank: TankWiring
    limit: float
    deadband: float
    rule: TankRule | None

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        level = good_value(s, self.tank.slot)
        if level is None:
            return None
        share = 100 * level / self.tank.spec.full
        c.value, c.limit = round(share, 1), self.limit
        return share < self.limit + (self.deadband if c.active else 0.0)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        level = s.values[self.tank.slot]
        if level is None:
            return f"level {c.value or 0:g} % of full, limit {self.limit:g} %"
        left = self.tank.spec.holds(level)[0] * L_PER_M3
        text = f"level {c.value or 0:g} % of full, limit {self.limit:g} %: {say(left, 'L', system)} left"
        day = self._a_day(s)
        if day is None:
            return f"{text}; how fast it is used is not known yet"
        if day <= 0:
            return f"{text}; nothing was drawn in the last hours"
        return f"{text}; at {say(day, 'L', system)} a day as in the last 24 h that is {left / day:.1f} days"

    def _a_day(self, s: Senses) -> float | None:
        """L drawn in a day, by the last 24 h; None where too little of that is known."""
        if self.rule is None:
            return None
        known = s.balance.sums.of(self.rule.base + KNOWN)
        return None if known < DRAWN_OVER_MS else s.balance.sums.of(self.rule.base + DRAWN) * DAY_MS / known

    def reading_reason(self, s: Senses) -> int:
        return s.reasons[self.tank.slot]


@dataclass(frozen=True, slots=True)
class NotAsPaced:
    """The last judgement of `daemon.measure.pacing` on a pump was another than "as paced"."""

    asked: ClassVar[Asked] = Asked.MINUTES

    index: int
    rule: PumpRule

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute or s.contact_reasons[self.rule.slot]:
            return None
        found = s.balance.pumps[self.index]
        if found.verdict == pacing.NOT_JUDGED:
            return None
        c.value = round(100 * found.ran / found.due, 1) if found.due else None
        c.limit = 100.0 if found.due else None
        return found.verdict != pacing.AS_PACED

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        found = s.balance.pumps[self.index]
        how = self.rule.pacing.way if self.rule.pacing else ""
        due = f", due {minutes(found.due)}" if found.due else ", none was due"
        return f"paced {how}: {PACING[found.verdict]}; ran {minutes(found.ran)}{due}"

    def reading_reason(self, s: Senses) -> int:
        return s.contact_reasons[self.rule.slot]


@dataclass(frozen=True, slots=True)
class Overrun:
    """A pump has been on without a break for longer than `most_ms`."""

    asked: ClassVar[Asked] = Asked.MINUTES

    pump: Role
    most_ms: int
    stated: str  # the key of the plant file it comes from, "" for none

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        runs = role_now(s, self.pump)
        if runs is None:
            return None
        on_ms = s.t - s.contacts[self.pump.slot].since_elapsed_ms if runs else 0
        c.value, c.limit = on_ms / 1000, self.most_ms / 1000
        return on_ms > self.most_ms

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        most = f"at most {minutes(self.most_ms)} expected"
        by = f" (half as much again as its {self.stated})" if self.stated else ""
        return f"on without a break for {minutes(round((c.value or 0.0) * 1000))}, {most}{by}"

    def reading_reason(self, s: Senses) -> int:
        return s.contact_reasons[self.pump.slot]


def overrun(rule: PumpRule) -> tuple[int, str]:
    """How long a pump may be on without a break, ms, and the key that says so.

    Runs paced by makeup may join where much is taken at once, and a share of the time may be all of it.
    """
    p = rule.pacing
    if p is None:
        return OVERRUN_MS, ""
    if p.way in ("with blow", "after blow") and p.limit_ms:
        return round(p.limit_ms * OVERRUN_FACTOR) + p.grace_ms, "limit"
    if p.way == "schedule" and p.run_ms:
        return round(p.run_ms * OVERRUN_FACTOR) + p.grace_ms + pacing.CLOCK_OFF_MS, "run"
    return OVERRUN_MS, ""


@dataclass(frozen=True, slots=True)
class RunsWhileOff:
    """A water meter counts in window after window although every boiler it serves has been off for an hour.

    What passed by unwatched is left out: a boiler may have run meanwhile. memo: the total when the window began, m3;
    memo_ms: when that was, real ms; memo_n: ms unwatched by then.
    """

    asked: ClassVar[Asked] = Asked.MINUTES

    meter: MeterWiring
    boilers: tuple[int, ...]
    window_ms: int

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        known = True
        for i in self.boilers:
            b = s.boilers[i].state
            if b.state not in (OFF, DRAINED):
                if b.state:
                    c.memo, c.memo_ms = None, -1
                    return False
                known = False
            elif s.t - b.since_ms < SETTLE_MS:
                c.memo, c.memo_ms = None, -1
                return None
        counter, spec = s.counters[self.meter.slot], self.meter.spec
        if not known or s.counter_reasons[self.meter.slot] or counter.last < 0:
            c.memo, c.memo_ms = None, -1
            return None
        total = counter.volume(spec)
        if c.memo is None or c.memo_n != s.unwatched or total < c.memo:
            c.memo, c.memo_ms, c.memo_n = total, s.real, s.unwatched
            return None
        lasted = s.real - c.memo_ms
        if lasted < self.window_ms:
            return None
        flowed, now = total - c.memo, counter.now(spec)
        c.memo, c.memo_ms = total, s.real
        rate = flowed * HOUR_MS / lasted
        c.limit = round(
            max(LEAST_PULSES * now.pulse_m3 * HOUR_MS / lasted, LEAST_SHARE * now.max_per_ms * HOUR_MS * now.pulse_m3),
            4,
        )
        c.value = round(rate, 4)
        return rate >= c.limit * (0.5 if c.active else 1.0)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        stand = min(s.t - s.boilers[i].state.since_ms for i in self.boilers)
        states = ", ".join(sorted({STATES[s.boilers[i].state.state] for i in self.boilers}))
        return (
            f"{say(c.value or 0.0, 'm3/h', system)} in the last {minutes(self.window_ms)} while its boilers stand "
            f"({states}, for {minutes(stand)})"
        )

    def reading_reason(self, s: Senses) -> int:
        return s.counter_reasons[self.meter.slot]
