"""Conditions on contacts: interlock, water level, the wall controller's own alarm, lockout.

Low water is never held back by anything. If it and the interlock change within `SAME_CAUSE_MS`, low water is named as
the cause in the interlock's alarm, whichever was polled first. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

from daemon.alarms.condition import AlarmCell, Asked
from daemon.core.reasons import words
from daemon.core.say import System, minutes, say
from daemon.measure.boiler_state import DRAINED, LAID_UP, OFF
from daemon.measure.cycling import within
from daemon.measure.senses import Senses, good_value, role, role_now
from daemon.measure.wiring import BoilerWiring, Role

SAME_CAUSE_MS: Final = 30_000


@dataclass(frozen=True, slots=True)
class ContactSays:
    """A contact in a role that is an alarm when true; `words` go into the evidence."""

    asked: ClassVar[Asked] = Asked.EVENTS

    boiler: int
    wiring: BoilerWiring
    role: Role
    words: str
    water: bool = False  # a water level contact: say what burner and limit circuit do

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        now = role_now(s, self.role)
        if now is None and self.water and role(s, self.role):
            now = True  # last read on, and not to be read since: that is no reason to keep quiet
        if now and c.on_ms < 0:
            c.on_ms = s.contacts[self.role.slot].since_elapsed_ms  # its debounce is part of its on-delay
        return now

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        text = f"{self.words} for {minutes(s.t - s.contacts[self.role.slot].since_elapsed_ms)}"
        if why := s.contact_reasons[self.role.slot]:
            text += f" as last read; now: {words(why)}"
        if self.water:
            running = role_now(s, self.wiring.running)
            what = "burner" if self.wiring.interlock_means == "firing" else "limit circuit"
            if running is not None:
                on, off = ("is firing", "is off") if what == "burner" else ("is closed", "is open")
                text += f"; the {what} {on if running else off}"
        return text

    def reading_reason(self, s: Senses) -> int:
        return s.contact_reasons[self.role.slot]


@dataclass(frozen=True, slots=True)
class ShortCycling:
    """More burner starts (or openings of the limit circuit, where no burner is wired) in a window than `most`.

    It stands until no more than half as many are left in the window.
    """

    asked: ClassVar[Asked] = Asked.MINUTES

    boiler: int
    wiring: BoilerWiring
    most: int
    window_ms: int

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        cycles = s.boilers[self.boiler].cycles
        if cycles.seen_ms == c.memo_ms and not s.minute:
            return None
        c.memo_ms = cycles.seen_ms
        n = within(cycles, s.t, self.window_ms)
        c.value, c.limit = float(n), float(self.most)
        return n > (self.most // 2 if c.active else self.most)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        w, starts = self.wiring, s.boilers[self.boiler].cycles.starts
        burner = w.burner.slot >= 0 or w.state_rule.contact == "burner"
        what = "burner starts" if burner else "openings of the limit circuit"
        text = f"{c.value or 0:.0f} {what} in {minutes(self.window_ms)}, at most {self.most} expected"
        if len(starts) > 1:
            text += f"; the last two {minutes(starts[-1] - starts[-2])} apart"
        pressure = good_value(s, w.steam_pressure)
        return text if pressure is None else f"{text}; boiler pressure {say(pressure, 'kPa', system)}"

    def reading_reason(self, s: Senses) -> int:
        return s.contact_reasons[self.wiring.cycles.slot]


@dataclass(frozen=True, slots=True)
class InterlockOpen:
    """The boiler should run, and its limit circuit is open (or its burner has been silent for long)."""

    asked: ClassVar[Asked] = Asked.EVENTS

    boiler: int
    wiring: BoilerWiring

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        running = role_now(s, self.wiring.running)
        if s.boilers[self.boiler].cutoff.held:
            return None  # a test of the cut-off opens the circuit
        if s.boilers[self.boiler].state.state in (LAID_UP, DRAINED):
            return False  # it is not meant to run, says a person
        if running is None:
            return None
        if self.wiring.state_rule.contact == "burner":
            return s.boilers[self.boiler].state.state == OFF
        return not running

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        w = self.wiring
        contact = s.contacts[w.running.slot]
        what = "no firing" if w.state_rule.contact == "burner" else "limit circuit open"
        text = f"{what} for {minutes(s.t - contact.since_elapsed_ms)}"
        if cause := self._cause(s):
            text += f"; {cause}"
        return text

    def came_with(self, s: Senses) -> str:
        """The kind of alarm whose contact came with it: low_water, lockout, "" for neither or not seen."""
        return self._with(s)[0]

    def _cause(self, s: Senses) -> str:
        return self._with(s)[1]

    def _with(self, s: Senses) -> tuple[str, str]:
        w = self.wiring
        limit = s.contacts[w.running.slot]
        for r, kind, what in ((w.low_water, "low_water", "low water"), (w.lockout, "lockout", "burner lockout")):
            if not role(s, r):
                continue
            other = s.contacts[r.slot]
            if not (limit.began and other.began):
                return "", f"{what} is on too; which came first was not seen"
            if abs(other.since_elapsed_ms - limit.since_elapsed_ms) <= SAME_CAUSE_MS:
                return kind, f"{what} came within {SAME_CAUSE_MS // 1000} s of it and is named as the cause"
        return "", ""

    def reading_reason(self, s: Senses) -> int:
        return s.contact_reasons[self.wiring.running.slot]
