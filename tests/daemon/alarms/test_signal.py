"""Shift logs of a probe's signal: stuck, flashing, fouled, stepped; each told once, with its figures, and cleared."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest

from daemon.alarms.kinds import KINDS
from tests.support.feed import Feed, boiler, plant

SIZES = 'water = "12000 lb"\nsteam_max = "10000 lb/h"\n'
KINDS_HERE = ("probe_value_stuck", "steam_at_probe", "probe_fouling", "calibration_step")
DAYS = 24 * 3600


def listened(arrangement: str = "continuous", more: str = SIZES, **kw: Any) -> tuple[Feed, Callable[[], float]]:
    """A boiler whose probe has been listened to for two hours."""
    feed = Feed(plant(boiler(arrangement, more=more, **kw)))
    noise = random.Random(3).gauss
    for _ in range(720):
        feed.poll(cond=2900 + noise(0, 4))
    assert feed.log() == []
    return feed, lambda: noise(0, 4)


def test_a_converter_that_repeats_its_last_count_is_told_once_and_clears_when_it_moves() -> None:
    feed, noise = listened()
    feed.run(3 * 3600, cond=2903)
    assert [x for x in feed.log() if x.startswith("probe_value_stuck")] == ["probe_value_stuck raised"]
    told = feed.last("probe_value_stuck")
    assert told.evidence.startswith("2903 umho/cm repeated exactly in ") and "of flowing sample" in told.evidence
    assert "never stood still for more than" in told.evidence
    assert told.value == pytest.approx(2903, abs=1) and told.priority == "medium"
    assert [n.kind for n in feed.notices if n.event == "raised"].count("probe_value_stuck") == 1
    for _ in range(30):
        feed.poll(cond=2900 + noise())
    assert "probe_value_stuck returned" in feed.log()


def test_a_signal_that_cannot_be_read_does_not_say_that_it_moves() -> None:
    feed, noise = listened()
    feed.run(3600, cond=2903)
    assert "probe_value_stuck raised" in feed.log()
    feed.run(3600, cond=None)
    feed.run(600, ma=2.0)
    assert "probe_value_stuck returned" not in feed.log()
    feed.now["ma"] = None
    for _ in range(30):
        feed.poll(cond=2900 + noise())
    assert "probe_value_stuck returned" in feed.log()


def test_a_held_signal_stands_still_and_is_no_alarm() -> None:
    feed = Feed(plant(boiler("timed", signal="held", sample='flush = "20 s", every = "30 min"')))
    kinds = {a.kind for a in feed.state.programme.alarms}
    assert not kinds & {"probe_value_stuck", "steam_at_probe", "calibration_step"}
    assert "probe_fouling" in kinds
    for _ in range(20):
        feed.run(60, blow=1, cond=2903)
        feed.run(1740, blow=0)
    assert feed.log() == []


def test_low_spikes_of_a_flashing_sample_are_told_and_over_only_after_ten_quiet_minutes() -> None:
    feed, noise = listened()
    draw = random.Random(5).random
    for _ in range(60):
        feed.poll(cond=2900 + noise() if draw() > 0.35 else 1900 + 800 * draw())
    log = feed.log()
    assert [x for x in log if x.startswith("steam")] == ["steam_at_probe raised"]
    told = feed.last("steam_at_probe")
    assert "low spikes among the last 15 readings of flowing sample" in told.evidence
    assert told.priority == "low"
    for _ in range(40):  # twelve quiet readings end the verdict, and then ten minutes go by
        feed.poll(cond=2900 + noise())
    assert "steam_at_probe returned" not in feed.log()
    for _ in range(60):
        feed.poll(cond=2900 + noise())
    assert feed.log() == ["steam_at_probe returned"]


def test_a_step_no_water_makes_is_journalled_and_not_mailed_until_a_calibration_explains_it() -> None:
    feed, noise = listened()
    for _ in range(120):
        feed.poll(cond=2500 + noise())
    assert feed.log() == ["calibration_step raised"]
    told = feed.last("calibration_step")
    assert told.evidence.startswith("stepped from 29") and "to 2" in told.evidence and "(-1" in told.evidence
    assert "no calibration is on record" in told.evidence
    assert not [n for n in feed.notices if n.kind == "calibration_step"]
    grab = {"cooled": True, "neutralised": False}
    body = {"boiler": "B1", "how": "wall", "form": "handheld", "reference": 2500, "reading": 2500, "grab": grab}
    assert feed.act("calibrate", **body, as_found=2900, as_left=2500, wall={"display": 2500}) == ""
    feed.run(60, cond=2500)
    assert "calibration_step returned" in feed.log()


def test_a_step_nobody_explains_is_over_after_a_day() -> None:
    feed, noise = listened()
    for _ in range(120):
        feed.poll(cond=2500 + noise())
    assert feed.log() == ["calibration_step raised"]
    for _ in range(DAYS // 10):
        feed.poll(cond=2500 + noise())
    assert feed.log() == ["calibration_step returned"]


def test_a_calibration_entered_before_its_step_is_no_alarm() -> None:
    feed, noise = listened()
    grab = {"cooled": True, "neutralised": False}
    body = {"boiler": "B1", "how": "wall", "form": "handheld", "reference": 2500, "reading": 2900, "grab": grab}
    assert feed.act("calibrate", **body, as_found=2900, as_left=2500, wall={"display": 2500}) == ""
    for _ in range(240):
        feed.poll(cond=2500 + noise())
    assert "calibration_step raised" not in feed.log()


def test_without_water_and_steam_nothing_says_what_the_water_can_do() -> None:
    feed, noise = listened(more="")
    for _ in range(240):
        feed.poll(cond=2500 + noise())
    assert "calibration_step" not in {a.kind for a in feed.state.programme.alarms}


def compared(feed: Feed, reading: float, **more: Any) -> str:
    """A hand sample of 3000 beside our reading, and the log corrected by it."""
    gain = feed.state.cells.senses.boilers[0].correction.gain
    body = {"boiler": "B1", "how": "log", "form": "handheld", "reference": 3000.0, "reading": reading, **more}
    return feed.act(
        "calibrate",
        **body,
        probe=reading / gain,
        grab={"cooled": True, "neutralised": False},
        wall={"display": reading},
        reason="a raw transmitter",
    )


def later(feed: Feed, days: float) -> None:
    feed.t += round(days * DAYS * 1000)


def test_a_probe_that_lost_a_tenth_between_its_comparisons_is_told_and_a_clean_one_is_not() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(600, cond=2950)
    assert compared(feed, 3000.0) == ""
    for _ in range(5):
        later(feed, 30)
        feed.run(60)
        assert compared(feed, 2910.0) == ""  # three per cent a month
        feed.run(60)
    assert [x for x in feed.log() if x.startswith("probe")] == ["probe_fouling raised"]
    told = feed.last("probe_fouling")
    assert told.limit == 10 and told.value == pytest.approx((1 - 0.97**4) * 100, abs=0.3)
    assert "by 4 comparisons with hand samples it has lost 11 % of its sensitivity" in told.evidence
    assert "-3.0 % a month" in told.evidence
    later(feed, 2)
    feed.run(60)
    assert compared(feed, 2990.0, cleaned=True) == ""
    feed.run(60)
    assert [x for x in feed.log() if x.startswith("probe")] == ["probe_fouling returned"]


def test_two_comparisons_or_a_wobble_make_no_fouling() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(600, cond=2950)
    for reading in (3000.0, 2700.0):  # a tenth lost, and only two points
        assert compared(feed, reading) == ""
        later(feed, 30)
        feed.run(60)
    for reading in (2900.0, 3150.0, 2860.0, 3100.0):
        assert compared(feed, reading, override="as read") == ""
        later(feed, 30)
        feed.run(60)
    assert [x for x in feed.log() if x.startswith("probe")] == []


@pytest.mark.parametrize("kind", KINDS_HERE)
def test_a_kind_can_be_switched_off_and_weighed_by_the_plant(kind: str) -> None:
    off = Feed(plant(f"[alarms.{kind}]\nenabled = false\n", boiler("continuous", more=SIZES)))
    assert kind not in {a.kind for a in off.state.programme.alarms}
    other = Feed(plant(f'[alarms.{kind}]\npriority = "high"\noff_delay = "20 min"\n', boiler("continuous", more=SIZES)))
    (alarm,) = (a for a in other.state.programme.alarms if a.kind == kind)
    assert (alarm.priority, alarm.off_delay_ms) == ("high", 1_200_000)
    assert KINDS[kind].priority != "high"
