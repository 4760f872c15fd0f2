"""Sampling arrangements as shift logs: short openings, pulses, shared probes and lines, what is learned and told."""

from __future__ import annotations

import random

import pytest

from daemon.core.reasons import Reason
from daemon.measure.senses import BoilerCell
from tests.support.feed import Feed, boiler, plant

SECOND = """[[module]]
name = "n"
link = "panel"
unit = 2
every = "10 s"
[module.channels]
blow2 = { function = "discrete", address = 0 }
limit2 = { function = "discrete", address = 1 }
flow = { function = "discrete", address = 2 }
"""


def second(text: str, **changes: str) -> str:
    """Boiler B2 made from the text of B1, with valve and interlock of its own."""
    text = text.replace('"B1"', '"B2"').replace("m.blow", "n.blow2").replace("m.limit", "n.limit2")
    for old, new in changes.items():
        text = text.replace(old, new)
    return text


def cell(feed: Feed, boiler: int = 0) -> BoilerCell:
    return feed.state.cells.senses.boilers[boiler]


def probe(feed: Feed, slot: int = 0) -> Reason:
    return Reason(feed.state.cells.senses.reasons[slot])


# ------------------------------------------------------------------ cut short, settled


def test_an_opening_too_short_gives_no_reading_and_says_so_until_the_next() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(600)
    feed.run(20, blow=1, cond=3300)
    feed.run(300, blow=0)
    assert feed.readings == []
    assert probe(feed) is Reason.CUT_SHORT
    assert cell(feed).sampler.cut_short == 1
    feed.run(60, blow=1, cond=2950)
    feed.run(30, blow=0)
    assert probe(feed) is Reason.NOT_SAMPLING
    assert len(feed.readings) == 3


@pytest.mark.parametrize("signal", ["live", "held"])
def test_a_trapped_sample_that_was_cut_short_is_never_read(signal: str) -> None:
    feed = Feed(plant(boiler("hold", signal=signal, sample='flush = "40 s", settle = "30 s"')))
    feed.run(600)
    feed.run(20, blow=1)
    feed.run(300, blow=0, cond=3500)
    assert feed.readings == []
    assert probe(feed) is Reason.CUT_SHORT


def test_a_sample_that_still_moves_is_uncertain_and_one_that_races_is_none() -> None:
    feed = Feed(plant(boiler("timed", sample='flush = "10 s"')))
    feed.run(600, cond=2000)
    feed.run(30, blow=1, ramp=120.0)
    feed.run(30, ramp=120.0)
    assert {r for _, _, r in feed.readings} == {Reason.NOT_SETTLED}
    feed.run(1200, blow=0)
    assert cell(feed).sampler.unsettled == 1
    feed = Feed(plant(boiler("timed", sample='flush = "10 s"')))
    feed.run(600, cond=500)
    feed.run(60, blow=1, ramp=500.0)
    feed.run(60, blow=0)
    assert feed.readings == []


def test_a_sample_still_moving_clears_no_alarm() -> None:
    feed = Feed(plant(boiler("timed")))
    for _ in range(2):
        feed.run(60, blow=1, cond=3400)
        feed.run(1740, blow=0)
    assert feed.log() == ["conductivity_high raised"]
    feed.run(10, blow=1, cond=3380)
    feed.run(110, ramp=-70.0)
    feed.run(1680, blow=0)
    assert feed.log() == []
    feed.run(120, blow=1, cond=2900)
    feed.run(60, blow=0)
    assert feed.log() == ["conductivity_high returned"]


def test_a_fall_at_the_pace_of_a_blow_is_settled() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(600)
    feed.run(1800, blow=1, cond=3050, ramp=-4.5)
    assert {r for _, _, r in feed.readings} == {0}


# ------------------------------------------------------------------ pulses and modulating valves


def test_short_pulses_of_a_pulsed_valve_are_one_blow_and_flush_the_line_together() -> None:
    valve = 'command = "m.blow", kind = "pulsed", travel = "0 s"'
    feed = Feed(plant(boiler("timed", sample='flush = "60 s"', valve=valve)))
    feed.run(1200)
    for _ in range(8):
        feed.run(20, blow=1, cond=2950)
        feed.run(40, blow=0)
    feed.run(600)
    (blow,) = feed.blows
    assert (blow.openings, blow.open_ms) == (8, 160_000)
    assert len(feed.readings) >= 4
    assert cell(feed).sampler.cut_short == 0


def test_a_modulating_valve_blows_above_the_stated_position_and_by_its_demand_where_no_position_is_wired() -> None:
    valve = 'kind = "modulating", open_above = "20 %", demand = { channel = "m.temp", range = "4..20 mA = 0..100 %" }'
    feed = Feed(plant(boiler("continuous", valve=valve)))
    for percent, seconds in ((0, 60), (15, 60), (40, 100), (19, 60), (10, 60)):
        feed.run(seconds, temp=4.0 + 0.16 * percent)
    assert [(b.openings, b.open_ms) for b in feed.blows] == [(1, 160_000)]


# ------------------------------------------------------------------ shared probe, shared line


def shared(signal: str = "live") -> Feed:
    one = boiler("timed", signal=signal)
    return Feed(plant(SECOND, one, second(one))).run(600, limit2=1)


@pytest.mark.parametrize("signal", ["live", "held"])
def test_a_shared_probe_sees_the_boiler_whose_sample_valve_is_open(signal: str) -> None:
    feed = shared(signal)
    feed.run(60, blow=1, cond=2900)
    feed.run(60, blow=0)
    feed.run(60, blow2=1, cond=3100)
    feed.run(60, blow2=0)
    values = [(b.sampler.value, b.sampler.reason) for b in feed.state.cells.senses.boilers]
    assert values == [(pytest.approx(2900, abs=0.3), 0), (pytest.approx(3100, abs=0.3), 0)]


def test_both_sample_valves_of_a_shared_probe_open_give_neither_a_reading() -> None:
    feed = shared()
    feed.run(60, blow=1, blow2=1, cond=3600)
    assert feed.readings == []
    assert probe(feed) is Reason.SHARED_SAMPLE
    assert feed.poll().verdicts[0][0] == Reason.SHARED_SAMPLE
    feed.run(20, blow2=0)
    assert feed.readings == []  # the line flushes anew
    feed.run(60)
    assert next(v for _, v, _ in feed.readings) == pytest.approx(3600, abs=0.3)
    assert cell(feed, 1).sampler.value is None


def test_a_shared_probe_says_good_while_one_boiler_is_sampled() -> None:
    feed = shared()
    feed.run(60, blow=1, cond=2900)
    assert feed.poll().verdicts[0][0] == 0


def test_a_neighbours_valve_that_cannot_be_read_leaves_whose_water_it_is_unknown() -> None:
    feed = shared()
    feed.run(60, blow=1, blow2=None, cond=2900)
    assert feed.readings == []


def test_blows_over_a_shared_line_say_so() -> None:
    line = 'command = "m.blow", travel = "10 s", line = "main"'
    one = boiler("continuous", valve=line)
    feed = Feed(plant(SECOND, one, second(one)))
    feed.run(600, limit2=1)
    feed.run(120, blow=1)
    feed.run(60, blow2=1)
    feed.run(60, blow=0)
    feed.run(60, blow2=0)
    feed.run(600)
    feed.run(60, blow=1)
    feed.run(60, blow=0)
    assert [(b.boiler, b.shared) for b in feed.blows] == [("B1", True), ("B2", True), ("B1", False)]


# ------------------------------------------------------------------ side-stream


def test_a_cooled_side_stream_counts_while_flow_is_proven_and_it_is_below_its_limit() -> None:
    more = 'probe_temperature = { channel = "m.temp", range = "4..20 mA = 0..200 °C" }\n'
    more += 'sample_flow = { contact = "n.flow", closed_means = "flow" }\n'
    text = boiler("side-stream", sample='flush = "20 s", hottest = "50 °C"', more=more)
    feed = Feed(plant(SECOND, text))
    feed.run(120, temp=4 + 16 * 30 / 200, flow=0)
    assert feed.readings == []
    assert probe(feed) is Reason.NOT_SAMPLING
    feed.run(120, flow=1)
    n = len(feed.readings)
    assert n >= 8
    feed.run(120, temp=4 + 16 * 70 / 200)
    assert probe(feed) is Reason.SAMPLE_TOO_HOT
    assert len(feed.readings) == n


# ------------------------------------------------------------------ live or held, learned


def shift(feed: Feed, live: bool, samples: int) -> None:
    """Samples every half an hour; between them a live signal shows cooling water and noise, a held one stands."""
    draw = random.Random(5).gauss
    for k in range(samples):
        feed.run(60, blow=1, cond=2950.0 + 3 * k)
        for n in range(174):
            feed.poll(blow=0, cond=2950.0 + 3 * k + (draw(0, 4) - 0.9 * n if live else draw(0, 0.05)))


@pytest.mark.parametrize("live", [True, False])
def test_what_the_plant_file_does_not_say_is_learned_and_then_samples_count_by_it(live: bool) -> None:
    feed = Feed(plant(boiler("timed").replace('signal = "live", ', "")))
    feed.run(600)
    shift(feed, live, 3)
    assert len(feed.readings) == 2 + 1  # as a held signal: one a sample
    shift(feed, live, 1)
    feed.readings.clear()
    shift(feed, live, 2)
    assert len(feed.readings) == (6 if live else 2)
    assert cell(feed).sampler.held is not live


# ------------------------------------------------------------------ boiler state, blow by hand


def test_a_boiler_drained_and_filled_anew_is_not_told_as_low_until_it_has_reached_its_band() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(600, cond=2950)
    assert cell(feed).reached_band
    feed.run(6 * 3600, limit=0)
    feed.run(3600, limit=1, cond=700)
    feed.run(24 * 3600, ramp=0.02)
    assert feed.log() == ["interlock_open raised", "interlock_open returned"]
    assert not cell(feed).reached_band


def test_a_boiler_off_over_night_is_told_as_low_when_it_is() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(600, cond=2950)
    feed.run(6 * 3600, limit=0)
    feed.run(3600, limit=1, cond=2300)
    feed.run(3600)
    assert "conductivity_low raised" in feed.log()


def test_a_blow_by_hand_is_a_record_with_the_readings_taken_meanwhile() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(600)
    feed.run(60, blow=1, cond=3000)
    feed.run(600, blow=0)
    at = feed.state.cells.senses.at
    cell(feed).hand.from_at, cell(feed).hand.to_at = at, at + 1_800_000
    feed.run(1200, blow=0)
    feed.run(60, blow=1, cond=2500)
    feed.run(1800, blow=0)
    (blow,) = [b for b in feed.blows if b.by_hand]
    assert (blow.end_ms - blow.start_ms, blow.sampled) == (1_800_000, pytest.approx(2500, abs=0.3))
    assert not blow.complete
