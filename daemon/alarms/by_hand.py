"""Conditions on tests done by hand: out of range, overdue, a test of a safety device that failed.

What is out of range or overdue is for the day: by night these two judge nothing, so nothing is raised, cleared or
mailed then. Whoever enters the result is answered at once. A failed test of a safety device keeps no hours.
Figures are common practice, no source. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

from config.model import ControlTest
from config.water_tests import WATER_TESTS, shown_result, with_title
from daemon.alarms.condition import AlarmCell, Asked
from daemon.core.say import System, minutes
from daemon.measure.boiler_state import STEAMING
from daemon.measure.manual import Result, latest
from daemon.measure.senses import Senses

GRACE: Final = 0.25  # of the interval
LONGEST_START_MS: Final = (
    4 * 3_600_000
)  # so long after steam is up, at most, a test that became due before is waited for
SAFETY_DEVICES: Final = ("column_test", "cutoff_test", "safety_valve_test", "flame_test")


@dataclass(frozen=True, slots=True)
class OutOfRange:
    """The last result of a test lies outside its control range."""

    asked: ClassVar[Asked] = Asked.MINUTES

    rule: ControlTest

    @property
    def unit(self) -> str:
        return WATER_TESTS[self.rule.what].unit

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not (s.minute and s.day):
            return None
        found, rule = latest(s.results, self.rule.target, self.rule.what), self.rule
        if found is None:
            return False  # the one there was has been withdrawn
        c.value = found.value
        beyond = side(rule, found)
        c.limit = rule.low if beyond == "below" or rule.high is None else rule.high
        return bool(beyond)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        found, test = latest(s.results, self.rule.target, self.rule.what), WATER_TESTS[self.rule.what]
        if found is None:
            return ""
        return (
            f"{with_title(test.title, shown_result(test, found.value))}, {side(self.rule, found)} the control range of "
            f"{control_range(self.rule)}; taken {minutes(max(0, s.at - found.taken_at))} ago by {found.by}"
        )

    def reading_reason(self, s: Senses) -> int:
        return 0


@dataclass(frozen=True, slots=True)
class Overdue:
    """No result for longer than the plant has agreed on. A boiler that does not steam owes none."""

    asked: ClassVar[Asked] = Asked.MINUTES

    rule: ControlTest
    boiler: int = -1

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        if c.memo is None:
            c.memo = float(s.at)  # since when a result has been asked for
        if not s.day:
            return None
        if self.boiler >= 0:
            state = s.boilers[self.boiler].state
            if state.state != STEAMING:
                return False
            if not c.active and s.t - state.since_ms < min(grace_ms(self.rule), LONGEST_START_MS):
                return None
        age = s.at - since(s, self.rule, c)
        c.value, c.limit = age / 1000, self.rule.every
        return age > every_ms(self.rule) + grace_ms(self.rule)

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        found, test = latest(s.results, self.rule.target, self.rule.what), WATER_TESTS[self.rule.what]
        last = "no result since it was first asked for" if found is None else f"last result by {found.by}"
        ago = minutes(s.at - since(s, self.rule, c))
        return f"{test.title}: {last} {ago} ago, due every {minutes(every_ms(self.rule))}"

    def reading_reason(self, s: Senses) -> int:
        return 0


@dataclass(frozen=True, slots=True)
class SafetyTestFailed:
    """The last test of a safety device was entered as failed."""

    asked: ClassVar[Asked] = Asked.MINUTES

    target: str
    what: str

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        if not s.minute:
            return None
        found = latest(s.results, self.target, self.what)
        return found is not None and not found.value

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        found = latest(s.results, self.target, self.what)
        return "" if found is None else f"{WATER_TESTS[self.what].title} entered as failed by {found.by}"

    def reading_reason(self, s: Senses) -> int:
        return 0


def side(rule: ControlTest, found: Result) -> str:
    """ "above" or "below" the control range, "" within it; of a test that is passed or failed never."""
    if rule.high is not None and found.value > rule.high:
        return "above"
    return "below" if rule.low is not None and found.value < rule.low else ""


def control_range(rule: ControlTest) -> str:
    """The control range in words, "" where there is none."""
    test = WATER_TESTS[rule.what]
    if rule.low is None or rule.high is None:
        limit = rule.high if rule.low is None else rule.low
        return "" if limit is None else f"{'at most' if rule.low is None else 'at least'} {shown_result(test, limit)}"
    return f"{shown_result(test, rule.low).removesuffix(f' {test.unit}')} to {shown_result(test, rule.high)}"


def every_ms(rule: ControlTest) -> int:
    """How often it is due, ms; 0 for never."""
    return round((rule.every or 0.0) * 1000)


def grace_ms(rule: ControlTest) -> int:
    """How late it may be before it is told, ms."""
    return round(every_ms(rule) * GRACE if rule.grace is None else rule.grace * 1000)


def since(s: Senses, rule: ControlTest, c: AlarmCell) -> int:
    """When it was last done, UTC ms; never done: since when it has been asked for."""
    found = latest(s.results, rule.target, rule.what)
    return found.taken_at if found is not None else int(c.memo if c.memo is not None else s.at)
