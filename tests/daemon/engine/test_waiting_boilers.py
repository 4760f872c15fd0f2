"""Shift logs of a lag boiler that waits in hot standby and takes over: what is judged, and from when on."""

from __future__ import annotations

import pytest

from daemon.core.reasons import Quality, Reason, quality
from daemon.core.tags import STATES
from tests.support.feed import Feed, boiler, plant

FIRING = 'contact = "m.limit", closed_means = "firing"'


def state_of(feed: Feed) -> str:
    return STATES[feed.state.cells.senses.boilers[0].state.state]


def why(feed: Feed) -> Reason:
    return Reason(feed.state.cells.senses.reasons[0])


@pytest.mark.parametrize("duty", ["lag", "standby"])
def test_a_boiler_that_waits_says_nothing_of_conductivity_until_it_steams_and_has_been_sampled(duty: str) -> None:
    feed = Feed(plant(boiler("continuous", duty=duty, interlock=FIRING)))
    feed.run(3600, limit=1, cond=2900)
    assert state_of(feed) == "steaming"
    assert feed.readings
    assert feed.log() == []
    # the lead carries the load: its burner is silent for the night, condensate thins what stands in the skimmer line
    feed.run(2 * 3600, limit=0)
    assert state_of(feed) == "hot standby"
    seen = len(feed.readings)
    for cond in (400, 4200, 2900):
        feed.run(3600, cond=cond)
        assert why(feed) is Reason.STANDBY
        assert quality(why(feed)) is Quality.UNCERTAIN
    assert len(feed.readings) == seen, "no sample of a boiler that waits stands for it"
    assert [line for line in feed.log() if line.endswith("raised")] == []
    # at six it takes over, and its water is high: judged from the first flushed sample on, not before
    began = feed.t
    feed.run(60, limit=1, cond=3900)
    assert state_of(feed) == "warming"
    assert len(feed.readings) == seen
    feed.run(3600)
    assert state_of(feed) == "steaming"
    first = next(at for at, _, _ in feed.readings[seen:])
    assert first * 1000 >= began + 20_000, "not before the line was flushed"
    feed.run(1800)
    raised = [e for e in feed.entries if e.event == "raised"]
    assert {e.kind for e in raised} <= {"conductivity_high", "conductivity_very_high"}
    assert "conductivity_high" in {e.kind for e in raised}
    assert all(e.at_ms - feed.groups[0].at_ms >= first * 1000 for e in raised)


def test_an_open_burner_contact_of_a_lag_boiler_is_normal_and_mails_nobody() -> None:
    feed = Feed(plant(boiler("continuous", duty="lag", interlock=FIRING)))
    feed.run(3600, limit=1)
    for _ in range(6):  # fires ten minutes in each two hours to hold its pressure
        feed.run(7200 - 600, limit=0)
        feed.run(600, limit=1)
    assert "interlock_open" not in {e.kind for e in feed.entries}
    assert feed.notices == []
