"""Shift logs of a blowdown valve that is going: contradicting switches, slow strokes, weak blows, something passing."""

from __future__ import annotations

import pytest

from tests.support.feed import Feed, boiler, plant

BOTH = 'command = "m.blow", travel = "10 s", open_switch = "m.opened", shut_switch = "m.shut"'
HEAT = 'probe_temperature = { channel = "m.temp", range = "4..20 mA = 0..200 °C" }\n'
METER = """[[meter]]
name = "blowdown"
channel = "m.pulses"
measures = "blowdown"
pulse = "10 L"
max_rate = "20 m3/h"
serves = ["B1"]
"""


def mine(feed: Feed, kind: str) -> list[str]:
    return [e.event for e in feed.entries if e.kind == kind]


def celsius(value: float) -> float:
    return 4 + 16 * value / 200


# ------------------------------------------------------------------ switches


def test_both_switches_made_at_once_contradict_each_other() -> None:
    feed = Feed(plant(boiler("continuous", valve=BOTH)))
    feed.run(600, shut=1, opened=0)
    feed.run(120, opened=1)
    assert feed.log() == ["valve_switch_disagrees raised"]
    told = feed.last("valve_switch_disagrees")
    assert told.evidence == "both end switches are made for 30 s; commanded shut"
    feed.run(60, opened=0)
    assert feed.log() == ["valve_switch_disagrees returned"]


def test_a_switch_against_the_command_is_told_as_a_stuck_valve_and_only_that() -> None:
    feed = Feed(plant(boiler("continuous", valve=BOTH)))
    feed.run(600, shut=1, opened=0)
    feed.run(600, blow=1, shut=0, opened=0)  # half way
    assert feed.log() == ["valve_stuck_shut raised"]


def test_without_a_command_neither_switch_made_for_longer_than_a_stroke_is_told() -> None:
    valve = 'travel = "20 s", open_switch = "m.opened", shut_switch = "m.shut"'
    feed = Feed(plant(boiler("continuous", valve=valve)))
    feed.run(600, shut=1, opened=0)
    feed.run(40, shut=0)
    feed.run(600, opened=1)
    assert feed.log() == []
    feed.run(300, opened=0)
    assert feed.log() == ["valve_switch_disagrees raised"]
    assert feed.last("valve_switch_disagrees").evidence.startswith("neither end switch is made for")


def test_a_switch_that_is_not_read_says_nothing() -> None:
    feed = Feed(plant(boiler("continuous", valve=BOTH)))
    feed.run(600, shut=1, opened=0)
    feed.run(20, opened=1)
    feed.run(600, opened=None)
    assert feed.log() == []


# ------------------------------------------------------------------ strokes


def strokes(feed: Feed, n: int, polls: int) -> None:
    """Blows of two minutes an hour; the switches answer after so many polls."""
    for _ in range(n):
        feed.run(10 * polls, blow=1, shut=0, opened=0)
        feed.run(120, opened=1)
        feed.run(10 * polls, blow=0, opened=0, shut=0)
        feed.run(1200, shut=1)


def test_a_valve_that_takes_longer_than_its_own_first_strokes() -> None:
    valve = BOTH.replace('travel = "10 s"', 'travel = "60 s"')
    feed = Feed(plant(boiler("continuous", valve=valve)))
    feed.run(600, shut=1, opened=0)
    strokes(feed, 20, 2)
    assert mine(feed, "valve_slow") == []
    strokes(feed, 6, 6)
    assert mine(feed, "valve_slow") == ["raised"]
    told = feed.last("valve_slow")
    assert (told.unit, told.value, told.limit) == ("s", 52.0, 50.0)
    assert "the last 5 strokes open took 52 s on average, at most 50 s expected, 20 s in its first 12" in told.evidence
    strokes(feed, 6, 2)
    assert mine(feed, "valve_slow") == ["raised", "returned"]


def test_a_valve_slower_than_stated_from_the_start_and_one_whose_travel_nobody_stated() -> None:
    for valve, found in ((BOTH, ["raised"]), (BOTH.replace('travel = "10 s", ', ""), [])):
        feed = Feed(plant(boiler("continuous", valve=valve)))
        feed.run(600, shut=1, opened=0)
        strokes(feed, 6, 3)  # 30 s each; 10 s stated: at most 25 s
        assert mine(feed, "valve_slow") == found, valve
        assert mine(feed, "valve_stuck_shut") == []


def test_a_stroke_seen_a_poll_early_or_late_is_no_slow_valve() -> None:
    feed = Feed(plant(boiler("continuous", valve=BOTH)))
    feed.run(600, shut=1, opened=0)
    for k in range(40):
        strokes(feed, 1, 1 + k % 2)
    assert mine(feed, "valve_slow") == []


def blows(feed: Feed, n: int, fall: float) -> None:
    """Blows of ten minutes that take so much off conductivity, made up for by the climb between them."""
    for _ in range(n):
        feed.run(600, blow=1, ramp=-fall / 60)
        feed.run(3600, blow=0, ramp=fall / 360)


def test_blows_that_have_lost_half_their_effect_are_told_of_a_valve_without_switches() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(600, cond=2990)
    blows(feed, 24, 100.0)
    assert mine(feed, "valve_slow") == []
    blows(feed, 6, 35.0)
    assert mine(feed, "valve_slow") == ["raised"]
    told = feed.last("valve_slow")
    assert "the last 5 blows brought conductivity down by 7 % an hour of opening, the first 20 by 20 %" in told.evidence
    blows(feed, 6, 100.0)
    assert mine(feed, "valve_slow")[-1] == "returned"


# ------------------------------------------------------------------ leaking


def sampled(feed: Feed, n: int, rest: float) -> None:
    """A sample every half hour; the probe cools to `rest` °C in the pause."""
    for _ in range(n):
        feed.run(120, blow=1, temp=celsius(175))
        for k in range(168):
            feed.poll(blow=0, temp=celsius(max(rest, 175 - k)))


def test_a_sample_line_that_stays_warm_between_samples_is_a_valve_that_passes() -> None:
    feed = Feed(plant(boiler("timed", sample='flush = "20 s", every = "30 min"', more=HEAT)))
    feed.run(600, cond=2950)
    sampled(feed, 10, 60)
    sampled(feed, 1, 165)
    assert mine(feed, "valve_leaking") == []
    sampled(feed, 1, 165)
    assert mine(feed, "valve_leaking") == ["raised"]
    told = feed.last("valve_leaking")
    assert told.target == "B1"
    assert (
        "20 min after the valve was commanded shut the probe was still at 329 °F in 2 pauses running" in told.evidence
    )
    feed.run(3600, limit=0)
    sampled(feed, 2, 165)
    assert mine(feed, "valve_leaking") == ["raised"]  # a night off is no second leak
    feed.run(1800, limit=1)
    sampled(feed, 3, 60)
    assert mine(feed, "valve_leaking") == ["raised", "returned"]


def test_in_shorter_pauses_the_line_is_looked_at_before_the_next_sample() -> None:
    feed = Feed(plant(boiler("timed", sample='flush = "20 s", every = "15 min"', more=HEAT)))
    feed.run(600, cond=2950)
    for rest, found in ((90, []), (160, ["raised"])):
        for _ in range(9):
            feed.run(120, blow=1, temp=celsius(175))
            for k in range(90):
                feed.poll(blow=0, temp=celsius(max(rest, 175 - k)))
        assert mine(feed, "valve_leaking") == found
    assert feed.last("valve_leaking").evidence.startswith("12 min after the valve was commanded shut")


def test_a_blow_line_that_a_neighbour_warms_is_not_judged_by_its_heat() -> None:
    two = boiler("timed", valve='command = "m.blow", travel = "10 s", line = "L"', more=HEAT)
    other = two.replace('"B1"', '"B2"').replace("m.blow", "m.opened").replace("m.cond", "m.temp")
    feed = Feed(plant(two, other.split("probe_temperature")[0]))
    assert "valve_leaking" not in {a.kind for a in feed.state.programme.alarms}


def metered(feed: Feed, hours: int, every_s: int, pulses: int) -> int:
    """Pulses of 10 L with the valve shut, one in so many seconds."""
    for _ in range(hours * 3600 // every_s):
        pulses += 1
        feed.run(every_s, pulses=pulses % 65_536)
    return pulses


def test_a_meter_that_passes_more_than_the_learned_bleed_for_two_hours_tells_of_the_valves_before_it() -> None:
    feed = Feed(plant(METER, boiler("continuous")))
    feed.run(600, cond=2950, pulses=0)
    pulses = metered(feed, 16, 600, 0)  # 60 kg/h
    pulses = metered(feed, 1, 150, pulses)  # 240 kg/h
    assert mine(feed, "valve_leaking") == []
    pulses = metered(feed, 2, 150, pulses)
    assert mine(feed, "valve_leaking") == ["raised"]
    told = feed.last("valve_leaking")
    assert told.target == "blowdown" and told.unit == "kg/h"
    assert told.value == pytest.approx(240, rel=0.1) and told.limit == pytest.approx(110, rel=0.1)
    assert "usual is 13" in told.evidence  # lb/h
    pulses = metered(feed, 3, 600, pulses)
    assert mine(feed, "valve_leaking") == ["raised", "returned"]


def test_what_passes_a_valve_that_its_switch_says_is_not_shut_is_stuck_open_and_not_leaking_too() -> None:
    feed = Feed(plant(METER, boiler("continuous", valve=BOTH)))
    feed.run(600, cond=2950, pulses=0, shut=1, opened=0)
    pulses = metered(feed, 16, 600, 0)
    feed.now |= {"shut": 0}
    metered(feed, 6, 150, pulses)
    assert mine(feed, "valve_stuck_open") == ["raised"]
    assert mine(feed, "valve_leaking") == []
