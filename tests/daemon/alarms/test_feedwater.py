"""Shift logs of feedwater that changes: told for the water once, with what it usually is."""

from __future__ import annotations

import pytest

from tests.support.feed import Feed, boiler, plant

WATER = """[[analogue]]
name = "feedwater"
channel = "m.temp"
range = "4..20 mA = 0..2000 uS/cm"
"""
FED = 'feedwater_conductivity = "feedwater"\n'


def ma(us: float) -> float:
    return 4 + 16 * us / 2000


def learned(feed: Feed) -> Feed:
    """Three days at 400 uS/cm by day and 450 by night."""
    feed.run(600, cond=2900)
    for _ in range(3):
        feed.run(12 * 3600, temp=ma(400))
        feed.run(12 * 3600, temp=ma(450))
    assert [e for e in feed.entries if e.kind == "feedwater_quality_changed"] == []
    return feed


def mine(feed: Feed) -> list[str]:
    return [e.event for e in feed.entries if e.kind == "feedwater_quality_changed"]


def test_contaminated_condensate_is_told_of_the_water_and_returns_when_it_is_usual_again() -> None:
    feed = learned(Feed(plant(WATER, boiler("continuous", more=FED)), 30))
    feed.run(600, temp=ma(900))
    assert mine(feed) == []
    feed.run(3600)
    assert mine(feed) == ["raised"]
    told = feed.last("feedwater_quality_changed")
    assert (told.target, told.unit) == ("feedwater", "%")
    assert told.value is not None and told.value > 60 and told.limit == pytest.approx(37.6, abs=0.5)
    assert "far above the 400 umho/cm to 450 umho/cm that 7" in told.evidence
    feed.run(3600, temp=ma(560))  # inside the deadband
    assert mine(feed) == ["raised"]
    feed.run(3600, temp=ma(450))
    assert mine(feed) == ["raised", "returned"]


def test_water_far_purer_than_usual_is_a_change_too() -> None:
    feed = learned(Feed(plant(WATER, boiler("continuous", more=FED)), 30))
    feed.run(3 * 3600, temp=ma(100))
    assert mine(feed) == ["raised"]
    assert "far below" in feed.last("feedwater_quality_changed").evidence


@pytest.mark.parametrize("now", [{"temp": None}, {"temp": 2.0}, {"limit": 0, "temp": ma(1900)}])
def test_a_bad_reading_and_a_boiler_that_is_off_say_nothing(now: dict[str, float | None]) -> None:
    feed = learned(Feed(plant(WATER, boiler("continuous", more=FED)), 30))
    feed.run(12 * 3600, **now)
    assert mine(feed) == []


def test_a_figure_is_no_measurement() -> None:
    feed = Feed(plant(boiler("continuous", more='feedwater_conductivity = "400 uS/cm"\n')))
    assert "feedwater_quality_changed" not in {a.kind for a in feed.state.programme.alarms}
