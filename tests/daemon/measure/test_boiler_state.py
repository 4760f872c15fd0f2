"""What a boiler's wires tell, and what becomes of it when they tell nothing."""

from __future__ import annotations

from daemon.core.tags import STATES
from daemon.measure.boiler_state import StateCell, StateRule, decide

LIMIT = StateRule("limit", 800.0, False, False)
LIMIT_AND_PRESSURE = StateRule("limit", 800.0, True, False)
BURNER = StateRule("burner", 800.0, False, False)
MINUTE = 60_000


class Watch:
    """One boiler, decided every ten seconds."""

    def __init__(self, rule: StateRule) -> None:
        self.rule, self.cell, self.t = rule, StateCell(), 0

    def run(self, minutes: float, closed: bool | None, pressure: float | None = None) -> str:
        for _ in range(round(minutes * 6)):
            self.t += 10_000
            decide(self.cell, self.rule, closed, pressure, self.t, self.t)
        return STATES[self.cell.state]


def test_a_contact_never_read_since_the_start_does_not_silence_the_boiler_for_ever() -> None:
    for rule in (LIMIT, BURNER, StateRule("", 800.0, True, False)):
        w = Watch(rule)
        assert w.run(9, None) == "unknown"
        assert w.run(2, None) == "steaming"
        assert w.run(30, None) == "steaming"


def test_a_contact_that_is_read_at_last_has_the_last_word() -> None:
    w = Watch(LIMIT)
    w.run(20, None)
    assert w.run(1, False) == "off"


def test_pressure_speaks_where_the_contact_was_never_read() -> None:
    w = Watch(LIMIT_AND_PRESSURE)
    assert w.run(1, None, 780.0) == "steaming"
    w = Watch(LIMIT_AND_PRESSURE)
    assert w.run(30, None, 20.0) == "off"


def test_off_stands_for_an_hour_of_an_unreadable_contact_and_then_is_not_known_any_more() -> None:
    w = Watch(LIMIT)
    w.run(60, False)
    assert w.run(59, None) == "off"
    assert w.run(2, None) == "steaming"
    w = Watch(LIMIT)
    w.run(60, True)
    assert w.run(600, None) == "steaming"


def test_pressure_has_the_word_once_the_contact_is_not_known_any_more() -> None:
    w = Watch(LIMIT_AND_PRESSURE)
    w.run(60, True, 780.0)
    assert w.run(58, None, 20.0) == "steaming"
    assert w.run(4, None, 20.0) == "off"
    assert w.run(10, None, 20.0) == "off"
    assert w.run(10, None, 780.0) == "steaming"
    assert w.run(10, None, 20.0) == "off"


def test_a_contact_read_once_within_the_hour_starts_the_hour_anew() -> None:
    w = Watch(LIMIT)
    w.run(60, False)
    for _ in range(5):
        assert w.run(50, None) == "off"
        assert w.run(0.2, False) == "off"


def test_an_unreadable_burner_contact_is_no_silent_burner() -> None:
    w = Watch(BURNER)
    w.run(10, True)
    assert w.run(300, None) == "steaming"
    assert w.run(29, False) == "steaming"  # only now it is seen not firing
    assert w.run(2, False) == "off"


def test_a_burner_that_is_readable_and_silent_since_the_start_is_off_after_its_pause() -> None:
    w = Watch(BURNER)
    assert w.run(29, False) == "unknown"
    assert w.run(2, False) == "off"


def test_a_dead_pressure_signal_does_not_keep_a_boiler_warming_for_ever() -> None:
    w = Watch(LIMIT_AND_PRESSURE)
    w.run(60, False, 100.0)
    assert w.run(20, True, None) == "warming"
    assert w.run(11, True, None) == "steaming"
    assert w.run(1, True, 100.0) == "warming"


def test_one_missed_pressure_does_not_turn_a_warming_boiler() -> None:
    w = Watch(LIMIT_AND_PRESSURE)
    w.run(60, False, 100.0)
    for _ in range(20):
        assert w.run(2, True, 300.0) == "warming"
        assert w.run(0.2, True, None) == "warming"


def test_a_boiler_run_below_its_stated_pressure_is_steaming_after_four_hours() -> None:
    w = Watch(LIMIT_AND_PRESSURE)
    w.run(10, False, 100.0)
    assert w.run(230, True, 480.0) == "warming"  # 60 %
    assert w.run(20, True, 480.0) == "steaming"
    assert w.run(600, True, 300.0) == "steaming"
    assert w.run(1, True, 90.0) == "warming"
    w = Watch(LIMIT_AND_PRESSURE)
    w.run(10, False, 0.0)
    assert w.run(600, True, 10.0) == "warming"  # limit circuit closed, but no fire: cold


def test_with_nothing_wired_the_boiler_steams() -> None:
    assert Watch(StateRule("", 800.0, False, False)).run(1, None) == "steaming"
