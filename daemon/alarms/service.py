"""Conditions on the service's own means: modules, links, and what the service reports of itself. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from daemon.alarms.condition import AlarmCell, Asked
from daemon.core.reasons import words
from daemon.core.say import System, minutes
from daemon.measure.senses import Senses


@dataclass(frozen=True, slots=True)
class ModuleSilent:
    """A module gives no usable answer, while its link is up."""

    asked: ClassVar[Asked] = Asked.EVENTS

    module: int

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        m = s.modules[self.module]
        if m.silent_ms < 0:
            return False if m.answered_ms >= 0 else None
        return None if m.down_ms >= 0 else True

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        m = s.modules[self.module]
        last = f"; last answer {minutes(s.t - m.answered_ms)} ago" if m.answered_ms >= 0 else "; it has never answered"
        return f"{words(m.reason)} for {minutes(s.t - m.silent_ms)}{last}"

    def reading_reason(self, s: Senses) -> int:
        return s.modules[self.module].reason


@dataclass(frozen=True, slots=True)
class LinkDown:
    """No connection on a link: every module on it is out of reach."""

    asked: ClassVar[Asked] = Asked.EVENTS

    modules: tuple[int, ...]

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        cells = [s.modules[m] for m in self.modules]
        down = max(m.down_ms for m in cells)
        if down >= 0 and all(m.down_ms >= 0 or m.answered_ms < down for m in cells):
            return True  # a module that is polled seldom may not have been asked since
        return False if any(m.silent_ms < 0 and m.answered_ms >= 0 for m in cells) else None

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        since = max(s.modules[m].down_ms for m in self.modules)
        n = len(self.modules)
        return f"no connection for {minutes(s.t - since)}; {n} module{'s' if n > 1 else ''} out of reach"

    def reading_reason(self, s: Senses) -> int:
        return s.modules[self.modules[0]].reason


@dataclass(frozen=True, slots=True)
class Reported:
    """What the service reports of itself: disk, clock, mail, copy, store, gaps. `fact` indexes `Senses.facts`."""

    asked: ClassVar[Asked] = Asked.EVENTS

    fact: int

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        f = s.facts[self.fact]
        if f.active:
            c.value, c.limit = f.value, f.limit
        return f.active

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        return s.facts[self.fact].evidence

    def reading_reason(self, s: Senses) -> int:
        return 0
