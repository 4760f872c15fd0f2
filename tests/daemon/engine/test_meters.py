"""Meters through the engine: totals over reloads, changes by date, masses."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.core.outcome import GroupOutcome
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
