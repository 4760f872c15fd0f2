"""Boiler states, quality of the probe's own reading, blows."""

from __future__ import annotations

import pytest

from daemon.core.reasons import Reason
from daemon.core.tags import STATES
from tests.support.feed import Feed, boiler, plant


def state(feed: Feed) -> str:
    return STATES[feed.state.cells.senses.boilers[0].state.state]


def probe(feed: Feed) -> Reason:
    return Reason(feed.state.cells.senses.reasons[0])


def verdict(feed: Feed) -> int:
    """What the log says of the probe's channel in the last group."""
    return feed.poll().verdicts[0][0]


def test_the_probe_says_why_it_is_not_the_boilers_water() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(60, blow=0)
    assert verdict(feed) == Reason.NOT_SAMPLING
    feed.run(10, blow=1)
    assert verdict(feed) == Reason.FLUSHING
    feed.run(30)
    assert verdict(feed) == Reason.GOOD
    feed.run(10, blow=0)
    assert verdict(feed) == Reason.NOT_SAMPLING
    feed.run(20, limit=0)
    assert verdict(feed) == Reason.BOILER_OFF
    feed.run(10, ma=0.0)
    assert verdict(feed) == Reason.LOOP_OPEN


def test_a_trapped_sample_settles_before_it_is_read() -> None:
    feed = Feed(plant(boiler("hold", sample='flush = "20 s", settle = "30 s"')))
    feed.run(60)
    feed.run(40, blow=1)
    feed.run(20, blow=0)
    assert probe(feed) == Reason.SETTLING
    feed.run(30)
    assert feed.readings and feed.readings[0][2] == 0


def test_reading_nothing_from_a_channel_that_does_not_answer() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(60)
    feed.run(30, cond=None)
    assert verdict(feed) == Reason.NO_ANSWER
    n = len(feed.readings)
    feed.run(60)
    assert len(feed.readings) == n


def test_a_limit_circuit_without_a_pressure_signal_warms_for_as_long_as_it_was_off() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(60)
    assert state(feed) == "steaming"
    feed.run(600, limit=0)
    assert state(feed) == "off"
    feed.run(300, limit=1)
    assert state(feed) == "warming"
    feed.run(400)
    assert state(feed) == "steaming"


def test_pressure_tells_warming_from_steaming() -> None:
    more = 'steam_pressure = { channel = "m.temp", range = "4..20 mA = 0..200 psig" }\n'
    feed = Feed(plant(boiler("continuous", more=more)))
    full, half, little = 4 + 16 * 120 / 200, 4 + 16 * 80 / 200, 4 + 16 * 30 / 200
    feed.run(60, temp=full)
    assert state(feed) == "steaming"
    feed.run(60, temp=half)  # above half of the stated pressure it goes on steaming
    assert state(feed) == "steaming"
    feed.run(60, temp=little)
    assert state(feed) == "warming"
    feed.run(60, temp=half)
    assert state(feed) == "warming"
    feed.run(60, temp=full)
    assert state(feed) == "steaming"
    feed.run(60, temp=0.0)  # its loop is open: what was known stands
    assert state(feed) == "steaming"


def test_with_nothing_wired_the_boiler_is_taken_as_steaming() -> None:
    feed = Feed(plant(boiler("continuous", interlock="")))
    feed.run(30)
    assert state(feed) == "steaming"


def test_an_uncompensated_probe_is_brought_to_25_degrees() -> None:
    more = 'probe_temperature = { channel = "m.temp", range = "4..20 mA = 0..200 °C" }\n'
    text = boiler("continuous", more=more).replace(
        'signal = "live"', 'signal = "live", compensated = false, coefficient = "2 %"'
    )
    feed = Feed(plant(text))
    feed.run(120, cond=4000, temp=12.0)  # 100 degC: 1 + 0.02 * 75 = 2.5
    assert feed.readings[-1][1] == pytest.approx(4000 / 2.5, abs=0.5)
    n = len(feed.readings)
    feed.run(60, temp=0.0)
    assert len(feed.readings) == n
    assert probe(feed) == Reason.NOT_COMPENSATED


def test_a_blow_from_its_first_opening_to_its_last_shutting() -> None:
    feed = Feed(plant(boiler("timed", valve='command = "m.blow", travel = "10 s", joins_within = "2 min"')))
    feed.run(300, blow=0)
    feed.run(60, blow=1, cond=3050)
    feed.run(60, blow=0)
    feed.run(120, blow=1, cond=2950)
    feed.run(200, blow=0)
    (blow,) = feed.blows
    assert (blow.openings, blow.open_ms, blow.complete) == (2, 180_000, True)
    assert blow.end_ms - blow.start_ms == 240_000
    assert blow.plus_minus_ms == 10_000
    assert blow.sampled == pytest.approx(3050, abs=0.3)
    assert blow.ended_at == pytest.approx(2950, abs=0.3)


def test_a_blow_that_began_before_we_looked_or_across_a_gap_is_not_whole() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(60, blow=1)
    feed.run(60, blow=0)
    feed.run(30, blow=1)
    feed.poll(gap_ms=60_000)
    feed.run(60, blow=0)
    feed.run(30, blow=1)
    feed.run(30, blow=0)
    assert [b.complete for b in feed.blows] == [False, False, True]


def test_a_modulating_valve_blows_above_five_percent() -> None:
    valve = 'kind = "modulating", position = { channel = "m.temp", range = "4..20 mA = 0..100 %" }'
    feed = Feed(plant(boiler("continuous", valve=valve)))
    feed.run(60, temp=4.0)
    feed.run(60, temp=4.0 + 0.16 * 20)
    feed.run(60, temp=4.0 + 0.16 * 2)
    assert [b.open_ms for b in feed.blows] == [60_000]


def test_meters_go_on_over_silence_and_states_are_repeated_for_the_log() -> None:
    meter = '[[meter]]\nname = "makeup"\nchannel = "m.pulses"\nmeasures = "makeup"\npulse = "100 L"\n'
    meter += 'max_rate = "40 m3/h"\nserves = ["B1"]\n'
    feed = Feed(plant(boiler("continuous"), meter))
    for k in range(30):
        feed.poll(pulses=65_530 + k if k < 6 else k - 6)
    feed.run(60, pulses=None)
    feed.run(10, pulses=25)
    assert feed.state.cells.senses.counters[0].total == 6 + 23 + 2 - 1 + 1
    outcome = None
    while outcome is None or not any(d.tag == 1 for d in outcome.derived):
        outcome = feed.poll()
    assert feed.t % 600_000 == 0  # every ten minutes
