"""The sample line where polls are slow, missed or uneven, and the ends of the range where no sample flows."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.core.reasons import Reason
from daemon.engine import step
from daemon.measure.sampling import Sampler
from tests.support.feed import Feed, boiler, plant

FAST = """[[module]]
name = "fast"
link = "panel"
unit = 2
every = "1 s"
[module.channels]
quick = { function = "discrete", address = 0 }
"""
QUICK_VALVE = 'command = "fast.quick", travel = "10 s"'


def sampler(feed: Feed) -> Sampler:
    return feed.state.cells.senses.boilers[0].sampler


# ------------------------------------------------------------------ valve and probe on modules of different pace


@pytest.mark.parametrize("phase", range(10))
def test_a_held_sample_is_read_whenever_the_probe_is_polled_after_the_valve_has_shut(phase: int) -> None:
    feed = Feed(plant(FAST, boiler("timed", signal="held", valve=QUICK_VALVE)), every_s=1)
    feed.run(100 + phase)
    feed.run(60, quick=1, cond=3100)
    feed.run(120, quick=0, cond=3050)
    assert [v for _, v, _ in feed.readings] == [pytest.approx(3050, abs=0.3)]
    feed.run(1000, cond=3060)
    assert len(feed.readings) == 1


@pytest.mark.parametrize("phase", range(0, 10, 3))
def test_a_high_end_of_an_opening_is_judged_though_the_probe_is_polled_seldom(phase: int) -> None:
    feed = Feed(plant(FAST, boiler("timed", valve=QUICK_VALVE)), every_s=1)
    feed.run(100 + phase, cond=2900)
    feed.run(60, quick=1, cond=3400)
    feed.run(60, quick=0, cond=900)
    assert feed.log() == ["conductivity_high raised"]


@pytest.mark.parametrize("phase", range(0, 10, 3))
def test_a_trapped_sample_is_read_once_by_a_slow_probe(phase: int) -> None:
    text = boiler("hold", sample='flush = "20 s", settle = "30 s"', valve=QUICK_VALVE)
    feed = Feed(plant(FAST, text), every_s=1)
    feed.run(100 + phase)
    feed.run(40, quick=1, cond=2500)
    feed.run(120, quick=0, cond=2950)
    assert [v for _, v, _ in feed.readings] == [pytest.approx(2950, abs=0.3)]


def test_a_reading_counts_once_though_two_groups_have_the_same_time() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(120)
    last = feed.groups[-1]
    twin = replace(last, number=last.number + 1, scans=())
    _, (outcome,) = step(feed.state, [twin])
    assert outcome.derived == ()


# ------------------------------------------------------------------ polls missed as the valve moves


def test_a_trapped_sample_is_not_lost_when_the_probe_is_silent_as_the_valve_shuts() -> None:
    feed = Feed(plant(boiler("hold", sample='flush = "20 s", settle = "30 s"')))
    feed.run(600)
    feed.run(40, blow=1)
    feed.run(10, blow=0, cond=None)
    feed.run(120, cond=2950)
    assert [v for _, v, _ in feed.readings] == [pytest.approx(2950, abs=0.3)]


def test_the_end_of_an_opening_is_judged_though_the_probe_is_silent_as_the_valve_shuts() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(600)
    feed.run(60, blow=1, cond=3400)
    feed.poll(blow=0, cond=None)
    assert feed.log() == ["conductivity_high raised"]


# ------------------------------------------------------------------ gaps


def test_a_line_flushes_anew_after_a_gap() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(600)
    feed.run(60, blow=1, cond=2900)
    n = len(feed.readings)
    feed.t += 3_600_000
    feed.poll(gap_ms=3_610_000, cond=4900)  # it may have been shut for most of the hour
    feed.run(20)
    assert len(feed.readings) == n
    feed.run(20, cond=2900)
    assert len(feed.readings) > n
    assert feed.log() == ["logger_gap raised", "logger_gap returned"]


def test_a_sample_across_a_gap_is_not_cut_short() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(600)
    feed.run(60, blow=1)
    feed.t += 60_000
    feed.poll(gap_ms=70_000, blow=0)
    assert sampler(feed).cut_short == 0


def test_watched_time_never_goes_back() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(100)
    t = feed.state.cells.senses.t
    feed.poll(gap_ms=900_000)  # said to be longer than the time between the groups
    assert feed.state.cells.senses.t >= t


# ------------------------------------------------------------------ ends of the range


def test_a_signal_at_the_bottom_between_samples_says_nothing() -> None:
    feed = Feed(plant(boiler("timed")))
    for _ in range(4):
        feed.run(60, blow=1, ma=None, cond=2950)
        feed.run(1740, blow=0, ma=4.0)
        assert Reason(feed.state.cells.senses.reasons[0]) is Reason.NOT_SAMPLING
    assert feed.log() == []


def test_a_signal_at_the_top_between_samples_says_nothing() -> None:
    feed = Feed(plant(boiler("timed")))
    for _ in range(4):
        feed.run(60, blow=1, ma=None, cond=2950)
        feed.run(1740, blow=0, ma=20.0)
    assert feed.log() == []


def test_an_open_probe_shows_at_the_second_sample() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(600)
    for _ in range(2):
        feed.run(60, blow=1, ma=4.0)
        feed.run(1740, blow=0)
    assert feed.log() == ["probe_open raised"]
    feed.run(60, blow=1, ma=None, cond=2950)
    feed.run(60, blow=0)
    feed.run(60, blow=1)
    assert "probe_open returned" in feed.log()


def test_a_held_signal_at_the_bottom_speaks_of_the_last_sample_only_when_there_was_one() -> None:
    feed = Feed(plant(boiler("timed", signal="held")))
    feed.run(600, ma=4.0)  # the wall controller has just been switched on
    assert feed.log() == []
    feed.run(60, blow=1)
    feed.run(120, blow=0)
    assert feed.log() == ["probe_open raised"]


def test_a_held_signal_at_the_top_is_very_high_at_the_end_of_its_sample_and_stands() -> None:
    feed = Feed(plant(boiler("timed", signal="held")))
    feed.run(600)
    feed.run(60, blow=1, ma=20.0)
    feed.run(1740, blow=0)
    assert set(feed.log()) == {"conductivity_very_high raised", "conductivity_high raised"}
    feed.run(60, blow=1, ma=None, cond=2950)
    feed.run(60, blow=0)
    assert set(feed.log()) == {"conductivity_very_high returned", "conductivity_high returned"}


def test_a_range_written_from_high_to_low_has_its_top_at_the_low_current() -> None:
    text = boiler("continuous").replace("4..20 mA = 0..5000", "4..20 mA = 5000..0")
    feed = Feed(plant(text))
    feed.run(120, ma=20.0)
    assert Reason(feed.state.cells.senses.reasons[0]) is Reason.RANGE_LOW_END
    feed.run(120, ma=4.0)
    _, value, reason = feed.readings[-1]
    assert value == pytest.approx(5000)
    assert reason == Reason.RANGE_HIGH_END


# ------------------------------------------------------------------ what the plant file does not say


def test_a_signal_of_which_nothing_is_said_is_taken_as_held() -> None:
    feed = Feed(plant(boiler("timed").replace('signal = "live", ', "")))
    feed.run(600)
    feed.run(60, blow=1, cond=3100)
    assert feed.readings == []
    feed.run(60, blow=0, cond=3050)
    assert len(feed.readings) == 1


def test_the_interval_is_learned_from_samples_that_give_no_reading_too() -> None:
    feed = Feed(plant(boiler("timed")))
    for _ in range(8):
        feed.run(20, blow=1)  # always shorter than travel and flush
        feed.run(880, blow=0)
    assert "no_representative_sample raised" in feed.log()
    assert "samples cut short" in feed.last("no_representative_sample").evidence


def test_pulses_of_one_blow_do_not_pass_for_the_interval_of_samples() -> None:
    feed = Feed(plant(boiler("timed")))
    for _ in range(4):
        for _ in range(10):
            feed.run(60, blow=1, cond=2950)
            feed.run(60, blow=0)
        feed.run(3600, blow=0)
    assert feed.log() == []


def test_a_coefficient_too_steep_for_a_cold_probe_gives_no_reading_and_breaks_nothing() -> None:
    more = 'probe_temperature = { channel = "m.temp", range = "4..20 mA = 0..200 °C" }\n'
    text = boiler("continuous", more=more).replace(
        'signal = "live"', 'signal = "live", compensated = false, coefficient = "5 %"'
    )
    feed = Feed(plant(text))
    feed.run(120, temp=4.2)  # 2.5 degC: 1 - 0.05 * 22.5 is below nothing
    assert Reason(feed.state.cells.senses.reasons[0]) is Reason.NOT_COMPENSATED


def test_hot_standby_is_called_so() -> None:
    text = boiler("continuous", duty="lag", interlock='contact = "m.limit", closed_means = "firing"')
    feed = Feed(plant(text))
    feed.run(60)
    feed.run(2000, limit=0)
    assert Reason(feed.state.cells.senses.reasons[0]) is Reason.STANDBY


# ------------------------------------------------------------------ blows


def test_a_blow_whose_end_fell_into_a_silence_is_not_whole() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(60)
    feed.run(60, blow=1)
    feed.run(60, blow=None)
    feed.run(60, blow=0)
    feed.run(60, blow=None)
    feed.run(60, blow=1)  # its beginning was not seen
    feed.run(60, blow=0)
    feed.run(30, blow=1)
    feed.run(10, blow=None)
    feed.run(30, blow=1)  # open before and after a missed poll
    feed.run(60, blow=0)
    assert [b.complete for b in feed.blows] == [False, False, True]


def test_a_modulating_valve_that_trembles_at_its_limit_makes_one_blow() -> None:
    valve = 'kind = "modulating", position = { channel = "m.temp", range = "4..20 mA = 0..100 %" }'
    feed = Feed(plant(boiler("continuous", valve=valve)))
    feed.run(60, temp=4.0)
    for _ in range(20):
        feed.poll(temp=4.0 + 0.16 * 5.4)
        feed.poll(temp=4.0 + 0.16 * 4.6)
    feed.run(60, temp=4.0)
    assert [b.openings for b in feed.blows] == [1]
