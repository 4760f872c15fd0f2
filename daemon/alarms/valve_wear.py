"""Conditions on a blowdown valve that is going: switches that contradict each other, slow strokes, weak blows, a leak.

What is usual is learned where the valve is followed (`daemon.measure.valve_habits`, `bleed`). A valve that is found not
shut by its end switch is stuck open, and not told as leaking too. Figures are common practice, no source. Pure.
May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

from daemon.alarms.condition import AlarmCell, Asked
from daemon.core.say import System, minutes, say
from daemon.measure import bleed, valve_habits
from daemon.measure.probe_heat import ROOM_C
from daemon.measure.senses import Senses, role_now
from daemon.measure.wiring import BoilerWiring

PAUSES: Final = 2  # in a row that the line stayed warm
BETTER: Final = 0.9  # of the longest stroke: only a mean below it clears
HOURS: Final = 2  # in a row above what is usual


@dataclass(frozen=True, slots=True)
class SwitchesDisagree:
    """Both end switches are made; or neither, where no command tells what the valve should do.

    Its on-delay is longer than a stroke. A switch that contradicts the command is told as stuck shut or stuck open.
    """

    asked: ClassVar[Asked] = Asked.EVENTS

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        w = self.wiring
        opened, shut = role_now(s, w.open_switch), role_now(s, w.shut_switch)
        if opened is None or shut is None:
            return None
        if opened and shut:
            return True
        return not (opened or shut or w.command.slot >= 0)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        w = self.wiring
        both = bool(role_now(s, w.open_switch))
        since = max(s.contacts[r.slot].since_elapsed_ms for r in (w.open_switch, w.shut_switch))
        text = f"{'both end switches are' if both else 'neither end switch is'} made for {minutes(s.t - since)}"
        commanded = role_now(s, w.command)
        return text if commanded is None else f"{text}; commanded {'open' if commanded else 'shut'}"

    def reading_reason(self, s: Senses) -> int:
        w = self.wiring
        return max(s.contact_reasons[w.open_switch.slot], s.contact_reasons[w.shut_switch.slot])


@dataclass(frozen=True, slots=True)
class SlowValve:
    """The last five strokes took longer than the valve's own first ones, or than stated; or blows have lost effect.

    `travel_s`: as the plant file states it, 0 where it does not.
    """

    asked: ClassVar[Asked] = Asked.MINUTES

    boiler: int
    wiring: BoilerWiring
    travel_s: float

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        h = s.boilers[self.boiler].habits
        seen = h.opening.n + h.shutting.n + h.blows
        if seen == c.memo_n:
            return None
        c.memo_n = seen
        found = self._late(h, c.active)
        if found is not None:
            c.value, c.limit = found[1:]
            return True
        weak = valve_habits.weak(h)
        if weak is not None and weak[0] < weak[1]:
            c.value = c.limit = None
            return True
        return False

    def _late(self, h: valve_habits.ValveHabits, active: bool) -> tuple[str, float, float] | None:
        """The way it strokes too slowly, the mean and the most it may take, s."""
        for way, stroke in (("open", h.opening), ("shut", h.shutting)):
            told = valve_habits.late(stroke, self.travel_s, self.wiring.poll_ms / 1000)
            if told is not None and told[0] > told[1] * (BETTER if active else 1.0):
                return way, *told
        return None

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        h = s.boilers[self.boiler].habits
        found = self._late(h, c.active)
        parts = []
        if found is not None:
            way, took, most = found
            stroke = h.opening if way == "open" else h.shutting
            usual = f", {stroke.usual:.0f} s in its first {min(stroke.n, valve_habits.STROKES)}" if stroke.n else ""
            parts.append(
                f"the last {len(stroke.recent)} strokes {way} took {took:.0f} s on average, at most {most:.0f} s "
                f"expected{usual}"
            )
        weak = valve_habits.weak(h)
        if weak is not None and weak[0] < weak[1]:
            parts.append(
                f"the last {valve_habits.RECENT} blows brought conductivity down by {100 * weak[0]:.0f} % an hour of "
                f"opening, the first {valve_habits.BLOWS} by {100 * h.effect:.0f} %"
            )
        return "; ".join(parts)

    def reading_reason(self, s: Senses) -> int:
        return 0


@dataclass(frozen=True, slots=True)
class LeakByHeat:
    """In two pauses running the sample line stayed warm though the valve was commanded shut: something passes it."""

    asked: ClassVar[Asked] = Asked.MINUTES

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        h = s.boilers[self.boiler].habits
        if h.rest_ms == c.memo_ms or h.rests < valve_habits.RESTS:
            return None
        c.memo_ms = h.rest_ms
        if _not_shut(s, self.wiring):
            return None  # told as stuck open
        return True if h.warm >= PAUSES else False if not h.warm else None

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        b = s.boilers[self.boiler]
        h, hot = b.habits, b.watch.heat.boiling
        usual = ROOM_C + h.rest * (hot - ROOM_C)
        return (
            f"{minutes(self.wiring.rest_ms)} after the valve was commanded shut the probe was still at "
            f"{say(h.celsius, '°C', system)} in {h.warm} pauses running; usually {say(usual, '°C', system)}, boiling "
            f"{say(hot, '°C', system)}"
        )

    def reading_reason(self, s: Senses) -> int:
        return s.reasons[self.wiring.probe_temperature]


@dataclass(frozen=True, slots=True)
class LeakByMeter:
    """The blowdown meter passes more than is usual while every valve before it is commanded shut: two hours running."""

    asked: ClassVar[Asked] = Asked.MINUTES

    bleed: int  # in Wiring.bleeds
    boilers: tuple[tuple[int, BoilerWiring], ...]
    stated: float | None  # kg/h that flow with the valves shut, as the plant file says

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        m = s.bleeds[self.bleed]
        if m.hours == c.memo_n:
            return None
        c.memo_n = m.hours
        most = bleed.most(m, self.stated)
        if most is None:
            return None
        c.value, c.limit = m.hour, most
        if any(_not_shut(s, w) for _, w in self.boilers):
            return None  # told as stuck open
        if m.hour <= most:
            c.inside_n = 0
            return False
        c.inside_n += 1
        return True if c.inside_n >= HOURS else None

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        m = s.bleeds[self.bleed]
        usual = bleed.normal(m)
        usual = self.stated if usual is None else usual
        names = " and ".join(w.name for _, w in self.boilers)
        which = f"; valves of {names}: which of them it is the meter cannot tell" if len(self.boilers) > 1 else ""
        return (
            f"{say(c.value or 0.0, 'kg/h', system)} passed with the valves commanded shut, in {c.inside_n} hours "
            f"of such time running; usual is {say(usual or 0.0, 'kg/h', system)}{which}"
        )

    def reading_reason(self, s: Senses) -> int:
        return 0


def _not_shut(s: Senses, w: BoilerWiring) -> bool:
    """An end switch says that the valve has not shut."""
    return role_now(s, w.shut_switch) is False or bool(role_now(s, w.open_switch))
