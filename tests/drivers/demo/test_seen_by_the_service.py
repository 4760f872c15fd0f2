"""The first five hours of the demo through the real engine: what a new user is promised to see."""

from __future__ import annotations

import pytest

from config.load import loads
from daemon.core.outcome import Entry
from daemon.core.scan import Group, Scan
from daemon.engine import start, step
from drivers.demo.plant import packaged_text
from drivers.demo.recording import COLUMNS, record
from drivers.demo.scenario import DEFAULT_START_MS


@pytest.fixture(scope="module")
def journal() -> list[Entry]:
    plant = loads(packaged_text()).plant
    places = [[COLUMNS.index(f"{m.name}.{c}") for c in m.channels] for m in plant.modules]
    state, found = start(plant, 1), list[Entry]()
    for n, row in enumerate(record(DEFAULT_START_MS, 5.0), 1):
        scans = tuple(
            Scan(i, tuple(row.counts[k] for k in at), tuple(int(row.counts[k] is None) for k in at))
            for i, at in enumerate(places)
        )
        state, outcomes = step(state, [Group(n, row.at_ms, row.at_ms - DEFAULT_START_MS, 1, 1, scans)])
        found += [e for o in outcomes for e in o.journal]
    return found


def when(journal: list[Entry], target: str, kind: str, event: str) -> list[float]:
    """Plant minutes of the events of one alarm."""
    return [
        (e.at_ms - DEFAULT_START_MS) / 60_000 for e in journal if (e.target, e.kind, e.event) == (target, kind, event)
    ]


def test_twenty_quiet_minutes_first(journal: list[Entry]) -> None:
    assert min((e.at_ms - DEFAULT_START_MS) / 60_000 for e in journal) > 20


def test_a_high_conductivity_alarm_and_its_return(journal: list[Entry]) -> None:
    raised, returned = (when(journal, "B2", "conductivity_high", e) for e in ("raised", "returned"))
    assert raised[0] < 78 and returned and 98 < returned[-1] < 150


def test_an_interlock_that_opens_and_what_it_silences(journal: list[Entry]) -> None:
    (opened,) = when(journal, "B2", "interlock_open", "raised")
    (closed,) = when(journal, "B2", "interlock_open", "returned")
    assert 15 < closed - opened < 25
    (held,) = when(journal, "B2", "conductivity_high", "suppressed")
    (back,) = when(journal, "B2", "conductivity_high", "unsuppressed")
    assert abs(held - opened) < 2 and abs(back - closed) < 10


def test_a_blowdown_valve_that_sticks_and_is_freed(journal: list[Entry]) -> None:
    (raised,) = when(journal, "B1", "valve_stuck_shut", "raised")
    (returned,) = when(journal, "B1", "valve_stuck_shut", "returned")
    assert 126 < raised < 170 and 208 < returned < 240


def test_a_controller_left_in_hand(journal: list[Entry]) -> None:
    """The demo leaves B2's in hand from minute 21 to 106; half an hour is given."""
    raised = when(journal, "B2", "controller_idle", "raised")
    assert 50 < raised[0] < 53


def test_nothing_is_invented(journal: list[Entry]) -> None:
    kinds = {(e.target, e.kind) for e in journal}
    assert kinds <= {
        *((b, k) for b in ("B1", "B2") for k in ("conductivity_high", "controller_alarm")),
        ("B1", "valve_stuck_shut"),
        ("B2", "controller_idle"),
        ("B2", "interlock_open"),
        ("B2", "lockout"),
    }
