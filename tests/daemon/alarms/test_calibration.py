"""Calibration due, as a shift log of weeks."""

from __future__ import annotations

from tests.support.feed import Feed, boiler, plant

KEYS = 'signal = "live", calibrated_at = "log", calibrate_every = "2 d"'
COMPARED = {
    "boiler": "B1",
    "how": "log",
    "form": "handheld",
    "reference": 2900,
    "reading": 2800,
    "probe": 2800,
    "grab": {"cooled": True, "neutralised": False},
    "no_display": "none",
}
HOUR = 3600


def feed(keys: str = KEYS) -> Feed:
    return Feed(plant(boiler("continuous").replace('signal = "live"', keys)), every_s=600)


def test_due_when_the_plants_interval_has_passed_and_back_to_normal_at_the_next_one() -> None:
    f = feed()
    f.run(47 * HOUR)
    assert "calibration_due raised" not in f.log()
    f.run(2 * HOUR)
    assert f.log() == ["calibration_due raised"]
    assert "no comparison with a hand sample on record in 2 days" in f.last("calibration_due").evidence
    assert f.act("calibrate", **COMPARED) == ""
    f.run(1200)
    assert [x for x in f.log() if x.startswith("calibration_due")] == ["calibration_due returned"]
    f.run(49 * HOUR)
    assert "calibration_due raised" in f.log()
    assert "last compared with a hand sample 2 days ago" in f.last("calibration_due").evidence


def test_a_withdrawn_comparison_is_none() -> None:
    f = feed()
    f.run(47 * HOUR)
    f.act("calibrate", **COMPARED)
    number = f.groups[-1].acts[0].number
    assert f.act("calibrate", boiler="B1", how="undo", undo=number) == ""
    f.run(2 * HOUR)
    assert "calibration_due raised" in f.log()


def test_without_an_interval_nothing_is_due() -> None:
    f = feed('signal = "live"')
    f.run(80 * HOUR)
    assert f.log() == []
