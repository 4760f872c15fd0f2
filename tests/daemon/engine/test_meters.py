"""Meters through the engine: totals over reloads, changes by date, masses."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.core.outcome import GroupOutcome
from daemon.core.scan import Act
from daemon.core.tags import derived_tags
from daemon.engine import carry, dump, restore
from tests.support.feed import START_MS, Feed, boiler, plant

CHICAGO = ZoneInfo("America/Chicago")


def meter(pulse: str = "100 L", more: str = "") -> str:
    return (
        f'[[meter]]\nname = "makeup"\nchannel = "m.pulses"\nmeasures = "makeup"\npulse = "{pulse}"\n'
        f'max_rate = "20 m3/h"\nserves = ["B1"]\n{more}\n'
    )


def found(feed: Feed, outcome: GroupOutcome) -> dict[str, float]:
    """The derived values of a group by tag."""
    tags = derived_tags(feed.plant)
    return {tags[d.tag].name: d.value for d in outcome.derived}


def total(feed: Feed) -> float:
    w, s = feed.state.programme.wiring, feed.state.cells.senses
    return s.counters[w.meters[0].slot].volume(w.meters[0].spec)


def clock(seconds: float) -> str:
    """The plant's clock so long after the feed's beginning, as the plant file writes it."""
    return datetime.fromtimestamp(START_MS / 1000 + seconds, CHICAGO).replace(tzinfo=None).isoformat()


def test_a_pulse_brings_volume_and_mass() -> None:
    feed = Feed(plant(boiler("continuous"), meter(more='temperature = "15 °C"')))
    feed.run(60)
    got = found(feed, feed.poll(pulses=1))
    assert got["makeup.total"] == pytest.approx(0.1)
    assert got["makeup.mass"] == pytest.approx(99.91, abs=0.01)  # 999.1 kg/m3 at 15 °C (IAPWS-IF97)
    feed.run(350)
    got = found(feed, feed.poll(pulses=2))
    assert got["makeup.rate"] == pytest.approx(1.0)
    assert got["makeup.mass_rate"] == pytest.approx(999.1, abs=0.1)


def test_a_reload_with_another_pulse_weight_keeps_the_total_and_goes_on_by_the_new() -> None:
    feed = Feed(plant(boiler("continuous"), meter("100 L")))
    for k in range(10):
        feed.run(30, pulses=k)
    assert total(feed) == pytest.approx(0.9)
    feed.plant = plant(boiler("continuous"), meter("10 L"))
    feed.state, _, _ = carry(feed.state, feed.plant, 2, 0)
    assert total(feed) == pytest.approx(0.9)
    feed.state = restore(feed.plant, dump(feed.state))
    feed.run(30, pulses=11)
    assert total(feed) == pytest.approx(0.92)


def test_a_change_takes_force_at_its_instant_in_a_run_and_over_a_reload() -> None:
    more = f'changes = [{{ from = "{clock(600)}", pulse = "10 L" }}]'
    feed = Feed(plant(boiler("continuous"), meter("100 L", more)))
    for k in range(40):
        feed.run(30, pulses=k)  # at 600 s the count is 20
    assert feed.state.cells.senses.counters[0].era == 1
    assert total(feed) == pytest.approx(1.9 + 20 * 0.01, abs=0.1)
    before = total(feed)
    # the change written into the plant file as what holds now: nothing moves
    feed.plant = plant(boiler("continuous"), meter("10 L"))
    feed.state, _, _ = carry(feed.state, feed.plant, 2, 0)
    assert total(feed) == pytest.approx(before)
    feed.run(30, pulses=40)
    assert total(feed) == pytest.approx(before + 0.01)


def test_a_change_dated_before_the_reload_that_brings_it_applies_from_the_reload_on() -> None:
    feed = Feed(plant(boiler("continuous"), meter("100 L")))
    for k in range(10):
        feed.run(30, pulses=k)
    feed.plant = plant(boiler("continuous"), meter("100 L", f'changes = [{{ from = "{clock(60)}", pulse = "10 L" }}]'))
    feed.state, _, _ = carry(feed.state, feed.plant, 2, 0)
    assert total(feed) == pytest.approx(0.9)
    feed.run(30, pulses=10)
    assert total(feed) == pytest.approx(0.91)


def test_the_first_reading_of_a_dial_has_none_to_compare_with_and_the_second_has() -> None:
    feed = Feed(plant(boiler("continuous"), meter("100 L")))
    feed.run(60, pulses=0)
    assert feed.act("dial", meter="makeup", value_m3=4812.0, written="4812 m3") == ""
    first = feed.last("dial")
    assert "the first reading of this dial" in first.evidence
    assert (first.target, first.by) == ("makeup", "Kim")
    for k in range(60):
        feed.run(30, pulses=k)
    outcome = feed.poll(acts=(Act(900, "dial", "Lee", 0, {"meter": "makeup", "value_m3": 4823.8}),))
    (kept,) = outcome.manual
    assert (kept.target, kept.what, kept.value, kept.unit, kept.act) == ("makeup", "dial", 4823.8, "m3", 900)
    assert "dial to ours 2 (+100 %)" in kept.note
    assert "every other pulse is missed" in kept.note
    assert total(feed) == pytest.approx(5.9)  # ours stays as it is


def test_a_dial_stays_true_over_a_reload_with_another_pulse_weight() -> None:
    feed = Feed(plant(boiler("continuous"), meter("100 L")))
    feed.run(60, pulses=0)
    feed.act("dial", meter="makeup", value_m3=10.0)
    for k in range(40):
        feed.run(30, pulses=k)
    feed.plant = plant(boiler("continuous"), meter("10 L"))
    feed.state, _, _ = carry(feed.state, feed.plant, 2, 0)
    for k in range(40, 60):
        feed.run(30, pulses=k)
    feed.act("dial", meter="makeup", value_m3=10.0 + 3.9 + 0.2)
    assert "they agree within" in feed.last("dial").evidence


def test_a_new_meters_dial_is_where_the_next_comparison_begins() -> None:
    more = f'changes = [{{ from = "{clock(600)}", pulse = "10 L", dial = "3 m3" }}]'
    feed = Feed(plant(boiler("continuous"), meter("100 L", more)))
    for k in range(100):
        feed.run(30, pulses=k)
    assert feed.state.cells.senses.counters[0].dial_m3 == 3.0
    moved = total(feed) - feed.state.cells.senses.counters[0].dial_ours_m3
    feed.act("dial", meter="makeup", value_m3=3.0 + moved)
    assert "they agree within" in feed.last("dial").evidence


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ({"meter": "mkup", "value_m3": 1.0}, "there is no meter 'mkup' in the plant file; there are makeup"),
        ({"meter": ["x"], "value_m3": 1.0}, "there is no meter"),
        ({"meter": "makeup", "value_m3": -1.0}, "a reading of 0 or more"),
        ({"meter": "makeup", "value_m3": float("nan")}, "a reading of 0 or more"),
        ({"meter": "makeup", "value_m3": True}, "a reading of 0 or more"),
        ({"meter": "makeup", "value_m3": 1.0, "at_ms": START_MS + 10**9}, "wants to be past"),
        ({"meter": "makeup", "value_m3": 1.0, "at_ms": "now"}, "wants to be past"),
        ({"meter": "makeup", "value_m3": 1.0, "ours_m3": 99.0}, "no more than it is now"),
    ],
)
def test_a_dial_that_cannot_be_is_refused(body: dict[str, object], why: str) -> None:
    feed = Feed(plant(boiler("continuous"), meter()))
    feed.run(60, pulses=1)
    assert why in feed.act("dial", **body)
    assert not [e for e in feed.entries if e.kind == "dial"]


def test_an_earlier_reading_does_not_come_after_a_later_one() -> None:
    feed = Feed(plant(boiler("continuous"), meter()))
    feed.run(60, pulses=1)
    assert feed.act("dial", meter="makeup", value_m3=5.0, at_ms=START_MS + 50_000, ours_m3=0.0) == ""
    assert "a later reading" in feed.act("dial", meter="makeup", value_m3=4.0, at_ms=START_MS + 40_000, ours_m3=0.0)
