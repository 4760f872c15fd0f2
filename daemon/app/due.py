"""Tests done by hand as people see them: last result, control range, what is due. Pure.

May import: config, daemon.core, daemon.measure, daemon.alarms, daemon.engine.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from config.model import ControlTest, Plant
from config.water_tests import WATER_TESTS, shown_result, with_title
from daemon.alarms.by_hand import SAFETY_DEVICES, control_range, every_ms, side
from daemon.core.say import minutes
from daemon.engine import State
from daemon.measure.manual import Result, every


@dataclass(frozen=True, slots=True)
class DueView:
    """One test: `verdict` above, below, failed, in range or "" (nothing to judge); `due` due, overdue or ""."""

    target: str
    what: str
    title: str
    value: float | None  # base unit of the test
    shown: str
    taken_ms: int  # UTC, 0 when never
    by: str
    range: str
    verdict: str
    every_s: float
    due: str


def due_views(plant: Plant, state: State) -> Iterable[DueView]:
    """Every test of the plant file, then every other that has a result."""
    s = state.cells.senses
    found = {(r.target, r.what): r for r in every(s.results)}
    overdue = {
        (a.target, a.name)
        for a, c in zip(state.programme.alarms, state.cells.alarms, strict=True)
        if a.kind == "test_overdue" and c.active
    }
    for rule in plant.tests:
        key = rule.target, rule.what
        yield _view(rule, found.pop(key, None), s.at, overdue=key in overdue)
    for (target, what), result in found.items():
        yield _view(ControlTest.model_construct(target=target, what=what), result, s.at, overdue=False)


def _view(rule: ControlTest, result: Result | None, at_ms: int, *, overdue: bool) -> DueView:
    test = WATER_TESTS[rule.what]
    verdict = "" if result is None else side(rule, result)
    if result is not None and rule.what in SAFETY_DEVICES and not result.value:
        verdict = "failed"
    elif result is not None and not verdict and (rule.low is not None or rule.high is not None):
        verdict = "in range"
    late = rule.every is not None and (result is None or at_ms - result.taken_at >= every_ms(rule))
    return DueView(
        target=rule.target,
        what=rule.what,
        title=test.title,
        value=result.value if result else None,
        shown=shown_result(test, result.value) if result else "",
        taken_ms=result.taken_at if result else 0,
        by=result.by if result else "",
        range=control_range(rule),
        verdict=verdict,
        every_s=rule.every or 0.0,
        due="overdue" if overdue else "due" if late else "",
    )


def due_lines(tests: Iterable[DueView], now_ms: int) -> list[str]:
    """What is due and what is out of range, a line each."""
    out = []
    for t in tests:
        ago = f"{minutes(max(0, now_ms - t.taken_ms))} ago" if t.taken_ms else "no result yet"
        if t.verdict in ("above", "below"):
            out.append(f"{t.target} {with_title(t.title, t.shown)}, {t.verdict} {t.range} ({ago}, by {t.by})")
        elif t.verdict == "failed":
            out.append(f"{t.target} {t.title} FAILED ({ago}, by {t.by})")
    for word in ("overdue", "due"):
        if names := [f"{t.target} {t.title}" for t in tests if t.due == word]:
            out.append(f"tests {word}: {', '.join(names)}")
    return out
