"""Limits on conductivity, and what the probe's own signal says, by the rules of each sampling arrangement."""

from __future__ import annotations

import pytest

from daemon.alarms.condition import AlarmCell, delayed
from daemon.alarms.conductivity import AnalogueLimit
from daemon.core.reasons import Reason
from daemon.measure.senses import fresh_senses
from daemon.measure.wiring import wire
from tests.support.feed import Feed, boiler, plant
from tests.support.published import Row, table

CONTINUOUS = boiler("continuous")
TIMED = boiler("timed", sample='flush = "20 s", every = "30 min"')
HOLD = boiler("hold", sample='flush = "20 s", settle = "30 s", every = "1 h"')


def sampled(feed: Feed, cond: float, open_s: float = 60, shut_s: float = 1740) -> Feed:
    """One sample: the valve opens, the probe sees the boiler, it shuts, the line cools."""
    feed.run(open_s, cond=cond, blow=1)
    return feed.run(shut_s, blow=0, cond=900.0)


# ------------------------------------------------------------------ continuous


def test_continuous_high_waits_for_its_delay_and_clears_below_the_deadband() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600, cond=3290)
    feed.run(60, cond=3310)  # above 3300 (set point + 10 %), for less than a minute as polled
    feed.run(60, cond=3290)
    assert feed.log() == []
    feed.run(120, cond=3310)
    assert feed.log() == ["conductivity_high raised"]
    assert feed.last("conductivity_high").limit == 3300
    feed.run(600, cond=3250)  # inside the deadband of 2 %
    assert feed.log() == []
    feed.run(120, cond=3200)
    assert feed.log() == ["conductivity_high returned"]


def test_very_high_is_an_alarm_of_its_own_above_high() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600, cond=2900)
    feed.run(300, cond=3800)
    assert feed.log() == ["conductivity_very_high raised", "conductivity_high raised"]


@pytest.mark.parametrize("fault", [{"ma": 0.0}, {"ma": 22.0}, {"cond": None}])
def test_a_bad_reading_neither_clears_a_limit_nor_starts_one(fault: dict[str, float | None]) -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600, cond=3400)
    assert feed.log() == ["conductivity_high raised"]
    feed.run(300, **fault)
    assert feed.alarm_state("conductivity_high") == "unacknowledged"
    assert "conductivity_high returned" not in feed.log()
    feed.run(600, ma=None, cond=2900)
    assert "conductivity_high returned" in feed.log()


@pytest.mark.parametrize(("ma", "words"), [(0.0, "loop open"), (22.0, "loop short")])
def test_a_broken_loop_is_an_alarm_after_half_a_minute_and_clears_with_the_signal(ma: float, words: str) -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    feed.run(20, ma=ma)
    assert feed.log() == []
    feed.run(40, ma=ma)
    assert feed.log() == ["probe_loop_fault raised"]
    assert words in feed.last("probe_loop_fault").evidence
    feed.run(120, ma=None)
    assert feed.log() == ["probe_loop_fault returned"]


def test_resting_at_the_top_of_the_range_is_very_high_as_at_least() -> None:
    feed = Feed(plant(CONTINUOUS.replace("0..5000", "0..3500")))  # very high would be 3750: beyond the range
    feed.run(300, cond=2900)
    feed.run(300, ma=20.0)
    entry = feed.last("conductivity_very_high")
    assert entry.event == "raised"
    assert entry.evidence.startswith("at least 3500 umho/cm")
    assert feed.readings[-1][2] == Reason.RANGE_HIGH_END


def test_resting_at_the_bottom_of_the_range_while_sample_flows_is_an_open_probe() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300, cond=2900)
    feed.run(180, ma=4.0)
    assert feed.log() == ["probe_open raised"]
    assert feed.readings[-1][1] == pytest.approx(2900, abs=0.3)  # 4.00 mA is no reading of the boiler
    feed.run(300, ma=None, cond=2900)
    assert "probe_open returned" in feed.log()


def test_low_arms_only_after_the_band_was_reached_once() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(7200, cond=1500)  # after a refill a boiler sits low for days
    assert feed.log() == []
    feed.run(600, cond=2950)
    feed.run(1200, cond=1500)
    assert feed.log() == ["conductivity_low raised"]


# ------------------------------------------------------------------ timed


def test_a_normal_sample_and_its_blow_raise_nothing() -> None:
    feed = Feed(plant(TIMED))
    sampled(feed, 2950)
    feed.run(60, blow=1, cond=3400)  # found high: the controller goes on blowing
    feed.run(600, ramp=-7.0)  # and brings it down within its quarter of an hour
    feed.run(60, blow=0)
    assert feed.log() == []


def test_stagnant_water_between_samples_is_never_judged() -> None:
    feed = Feed(plant(TIMED))
    sampled(feed, 2950)
    feed.run(1700, blow=0, cond=4900)
    assert feed.log() == []
    assert feed.readings[-1][1] == pytest.approx(2950, abs=0.3)


def test_high_at_the_end_of_an_opening() -> None:
    feed = Feed(plant(TIMED))
    sampled(feed, 2950)
    feed.run(60, blow=1, cond=3400)
    assert feed.log() == []
    feed.poll(blow=0)
    assert feed.log() == ["conductivity_high raised"]


def test_high_after_a_quarter_of_an_hour_of_open_flushed_valve() -> None:
    feed = Feed(plant(TIMED))
    sampled(feed, 2950)
    feed.run(30 + 900, blow=1, cond=3400)  # travel, flush, and not quite the patience
    assert feed.log() == []
    feed.run(20)
    assert feed.log() == ["conductivity_high raised"]


def test_very_high_needs_a_flushed_minute() -> None:
    feed = Feed(plant(TIMED))
    sampled(feed, 2950)
    feed.run(80, blow=1, cond=3900)
    assert feed.log() == []
    feed.run(30)
    assert feed.log() == ["conductivity_very_high raised"]


def test_high_clears_at_the_next_reading_below_the_deadband_not_between() -> None:
    feed = Feed(plant(TIMED))
    sampled(feed, 3400)
    assert feed.log() == ["conductivity_high raised"]
    feed.run(3000, blow=0, cond=100)
    assert feed.log() == []
    sampled(feed, 2900)
    assert feed.log() == ["conductivity_high returned"]


def test_a_sample_cut_short_gives_no_reading() -> None:
    feed = Feed(plant(TIMED))
    sampled(feed, 2950)
    n = len(feed.readings)
    feed.run(20, blow=1, cond=4000)
    feed.run(600, blow=0)
    assert len(feed.readings) == n
    assert feed.state.cells.senses.boilers[0].sampler.cut_short == 1
    assert feed.log() == []


def test_a_held_signal_counts_once_as_the_valve_shuts() -> None:
    feed = Feed(plant(boiler("timed", signal="held")))
    feed.run(600, cond=2950)
    feed.run(60, blow=1, cond=3100)
    assert feed.readings == []
    feed.run(1740, blow=0, cond=3050)
    assert [(v, r) for _, v, r in feed.readings] == [(pytest.approx(3050, abs=0.3), 0)]


def test_without_a_wired_valve_readings_count_as_inferred_and_are_judged() -> None:
    feed = Feed(plant(boiler("timed", valve="")))
    feed.run(300, cond=2900)
    assert {r for _, _, r in feed.readings} == {Reason.INFERRED}
    feed.run(300, cond=3400)
    assert feed.log() == ["conductivity_high raised"]


# ------------------------------------------------------------------ hold


def test_hold_is_read_once_after_the_sample_has_settled() -> None:
    feed = Feed(plant(HOLD))
    feed.run(600)
    feed.run(40, blow=1, cond=2500)
    feed.run(120, blow=0, cond=2950)
    assert len(feed.readings) == 1
    shut_at = 600 + 40
    assert feed.readings[0][0] - shut_at == 40  # travel 10 s and settle 30 s after it was first seen shut


def test_hold_high_wants_two_samples_running_and_very_high_one() -> None:
    feed = Feed(plant(HOLD))
    feed.run(600)

    def hold(cond: float) -> None:
        feed.run(40, blow=1, cond=cond)
        feed.run(1200, blow=0)

    hold(3400)
    assert feed.log() == []
    hold(2900)
    hold(3400)
    assert feed.log() == []
    hold(3400)
    assert feed.log() == ["conductivity_high raised"]
    hold(3900)
    assert feed.log() == ["conductivity_very_high raised"]


def test_a_valve_that_opens_again_spoils_the_trapped_sample() -> None:
    feed = Feed(plant(HOLD))
    feed.run(600)
    feed.run(40, blow=1)
    feed.run(20, blow=0)
    feed.run(10, blow=1)
    feed.run(600, blow=0)
    assert feed.readings == []


# ------------------------------------------------------------------ no representative sample


def test_no_sample_counts_steaming_time_in_multiples_of_the_interval() -> None:
    feed = Feed(plant(TIMED))
    sampled(feed, 2950)
    feed.run(3000, blow=0)
    feed.run(7200, limit=0)  # off: does not count
    feed.run(240, limit=1)
    assert "no_representative_sample raised" not in feed.log()
    feed.run(5400)
    assert "no_representative_sample raised" in feed.log()
    assert "a sample is expected every 30 min" in feed.last("no_representative_sample").evidence
    sampled(feed, 2950)
    assert "no_representative_sample returned" in feed.log()


def test_the_interval_is_learned_where_it_is_not_stated() -> None:
    feed = Feed(plant(boiler("timed", sample='flush = "20 s"')))
    for _ in range(5):
        sampled(feed, 2950, 60, 540)
    assert feed.log() == []
    feed.run(1900, blow=0)  # three times the ten minutes learned
    assert feed.log() == ["no_representative_sample raised"]


def test_a_plugged_or_silent_continuous_sample_is_told_after_ten_minutes() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    feed.run(700, cond=None)
    assert feed.log() == ["no_representative_sample raised"]


# ------------------------------------------------------------------ deadband and delay, published vectors

# OPC 10000-9 (OPC UA Part 9), terms copied from ISA 18.2 / IEC 62682; reference rows AL-055 to AL-059
VECTORS = [row for row in table("alarms").values() if row.id in {f"AL-{n:03d}" for n in range(55, 60)}]


@pytest.mark.parametrize("row", VECTORS, ids=str)
def test_published_deadband_and_delay_vectors(row: Row) -> None:
    inputs = dict(part.strip().split("=") for part in row.text.split(";") if "=" in part)
    values = [float(v) for v in inputs["values"].split()]
    every = float(row.text.split("sample every ")[1].split()[0]) if "sample every" in row.text else 10.0
    delay = float(inputs.get("on-delay", "0 s").split()[0])
    condition = AnalogueLimit(0, "", float(inputs["setpoint"]), True, float(inputs.get("deadband", 0)))
    senses, cell = fresh_senses(wire(plant(CONTINUOUS))), AlarmCell()
    active = []
    for k, v in enumerate(values):
        senses.t = round(k * every * 1000)
        senses.values[0], senses.reasons[0] = v, 0
        delayed(cell, condition.judge(senses, cell), round(delay * 1000), 0, senses.t)
        active.append(int(cell.active))
    assert active == [int(x) for x in row.expected.split()]


def test_there_are_vectors_to_check() -> None:
    assert len(VECTORS) == 5
