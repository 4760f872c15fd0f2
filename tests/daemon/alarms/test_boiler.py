"""Interlock, water level, valve, modules: one alarm after another, and what is held back while the boiler is off."""

from __future__ import annotations

import pytest

from daemon.core.reasons import Reason
from tests.support.feed import WATER, Feed, boiler, plant

CONTINUOUS = boiler("continuous", more=WATER)
SWITCHES = 'command = "m.blow", travel = "10 s", open_switch = "m.opened", shut_switch = "m.shut"'


# ------------------------------------------------------------------ interlock and water level


def test_an_open_limit_circuit_of_a_boiler_that_should_run() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(300)
    feed.run(60, limit=0)
    assert feed.log() == ["interlock_open raised"]
    assert "limit circuit open for" in feed.last("interlock_open").evidence
    feed.run(120, limit=1)
    assert feed.log() == ["interlock_open returned"]


@pytest.mark.parametrize("duty", ["lag", "standby"])
def test_an_open_interlock_of_a_waiting_boiler_is_normal(duty: str) -> None:
    feed = Feed(plant(boiler("continuous", duty=duty)))
    feed.run(300)
    feed.run(3600, limit=0)
    assert feed.log() == []


def test_a_burner_contact_opens_with_every_cycle_and_only_a_long_pause_is_off() -> None:
    feed = Feed(plant(boiler("continuous", interlock='contact = "m.limit", closed_means = "firing"')))
    for _ in range(6):
        feed.run(300, limit=1)
        feed.run(900, limit=0)
    assert feed.log() == []
    feed.run(1500, limit=0)
    assert feed.log() == ["interlock_open raised"]


def test_a_contact_that_is_closed_when_stopped() -> None:
    feed = Feed(plant(boiler("continuous", interlock='contact = "m.limit", closed_means = "stopped"')))
    feed.run(300, limit=0)
    feed.run(60, limit=1)
    assert feed.log() == ["interlock_open raised"]


@pytest.mark.parametrize("first", ["low", "limit"])
def test_low_water_within_half_a_minute_of_the_interlock_is_its_cause_whichever_came_first(first: str) -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    one, other = ({"low": 1}, {"limit": 0}) if first == "low" else ({"limit": 0}, {"low": 1})
    feed.run(20, **one)
    feed.run(90, **other)
    assert set(feed.log()) >= {"low_water raised", "interlock_open raised"}
    assert "low water came within 30 s" in feed.last("interlock_open").evidence


def test_low_and_high_water_are_never_held_back() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    feed.run(600, limit=0)
    feed.run(60, low=1)
    feed.run(60, low=1, high=1)
    assert feed.log() == ["interlock_open raised", "low_water raised", "high_water raised"]
    assert feed.last("low_water").priority == "highest"
    assert "the limit circuit is open" in feed.last("low_water").evidence
    feed.run(120, low=0)
    assert feed.log() == ["low_water returned"]


def test_low_water_while_nothing_else_answers_still_tells() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    feed.run(60, low=1, cond=None, limit=None)
    assert feed.log() == ["low_water raised"]


def test_the_wall_controllers_own_alarm() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    feed.run(60, alarm=1)
    assert feed.log() == ["controller_alarm raised"]


# ------------------------------------------------------------------ held back while the boiler is off


def test_a_standing_alarm_is_held_back_while_off_and_judged_anew_when_steaming() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(900, cond=3400)
    feed.run(300, limit=0)
    assert feed.log() == [
        "conductivity_high raised",
        "conductivity_high suppressed",
        "interlock_open raised",
    ]
    raised = next(n for n in feed.notices if n.kind == "interlock_open")
    assert raised.held_back == ("Conductivity high",)
    assert [n.event for n in feed.notices if n.kind == "conductivity_high"] == ["raised", "suppressed"]
    feed.run(1200, limit=1)
    log = feed.log()
    assert log.index("conductivity_high unsuppressed") < log.index("conductivity_high raised")
    numbers = [e.occurrence for e in feed.entries if e.kind == "conductivity_high" and e.event == "raised"]
    assert len(set(numbers)) == 2


def test_nothing_is_raised_from_readings_of_a_boiler_that_is_off() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(900, cond=2900)
    feed.run(60, limit=0)
    feed.run(7200, cond=4900)
    assert feed.log() == ["interlock_open raised"]
    feed.run(600, cond=4950, limit=None)
    assert feed.log() == []


def test_quietly_normal_alarms_make_no_journal_when_the_boiler_goes_off() -> None:
    feed = Feed(plant(boiler("timed", duty="lag", more=WATER)))
    feed.run(600)
    feed.run(600, limit=0)
    feed.run(600, limit=1)
    assert feed.entries == []


def test_an_unreadable_interlock_keeps_the_state_it_had() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300, cond=2900)
    feed.run(300, limit=None, cond=3400)
    assert feed.log() == ["conductivity_high raised"]


# ------------------------------------------------------------------ the valve


def test_stuck_shut_by_its_end_switch_soon_after_travel() -> None:
    feed = Feed(plant(boiler("timed", valve=SWITCHES)))
    feed.run(300)
    feed.run(50, blow=1)
    assert feed.log() == ["valve_stuck_shut raised"]
    assert "the open switch has not made" in feed.last("valve_stuck_shut").evidence
    feed.run(600, blow=0)
    assert feed.log() == []  # the command went off: nothing shows that it moves again
    feed.run(20, blow=1, shut=0)
    feed.run(40, opened=1)
    assert feed.log() == ["valve_stuck_shut returned"]


def test_stuck_shut_by_conductivity_that_does_not_fall() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600, cond=2950)
    feed.run(1400, blow=1, cond=3010, ramp=0.5)
    assert feed.log() == ["valve_stuck_shut raised"]
    assert "no fall" in feed.last("valve_stuck_shut").evidence
    feed.run(600, ramp=-3.0)
    assert feed.log() == ["valve_stuck_shut returned"]


def test_a_blow_that_works_is_not_stuck() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600, cond=3010)
    feed.run(1800, blow=1, ramp=-0.6)
    feed.run(1800, blow=0, ramp=0.6, shut=1)
    assert feed.log() == []


def test_stuck_open_by_its_switches() -> None:
    feed = Feed(plant(boiler("continuous", valve=SWITCHES)))
    feed.run(60, blow=1, opened=1, shut=0)
    feed.run(20, blow=0)
    assert feed.log() == []
    feed.run(40)
    assert feed.log() == ["valve_stuck_open raised"]
    feed.run(60, opened=0, shut=1)
    assert feed.log() == ["valve_stuck_open returned"]


def test_stuck_open_by_conductivity_that_falls_while_commanded_shut() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600, cond=2950)
    feed.run(60, blow=1)
    feed.run(1800, blow=0)
    assert feed.log() == []
    feed.run(3600, ramp=-1.0)
    assert "valve_stuck_open raised" in feed.log()
    feed.run(300, cond=2990)
    assert "valve_stuck_open returned" in feed.log()


def test_stuck_open_shows_at_the_next_timed_sample() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(600)
    feed.run(60, blow=1, cond=2950)
    feed.run(1740, blow=0)
    feed.run(60, blow=1, cond=2400)
    assert "valve_stuck_open raised" in feed.log()


def test_a_blow_longer_than_allowed() -> None:
    feed = Feed(plant(boiler("continuous", valve='command = "m.blow", travel = "10 s", longest = "30 min"')))
    feed.run(600, cond=3010)
    feed.run(1790, blow=1, ramp=-0.2)
    assert feed.log() == []
    feed.run(40)
    assert feed.log() == ["blowdown_over_time raised"]
    feed.run(60, blow=0)
    assert feed.log() == ["blowdown_over_time returned"]


# ------------------------------------------------------------------ modules


def test_a_silent_module_is_told_after_a_minute_and_when_it_answers_again() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    feed.run(50, silent=Reason.NO_ANSWER)
    assert feed.log() == []
    feed.run(30, silent=Reason.NO_ANSWER)
    assert feed.log() == ["module_silent raised"]
    assert feed.last("module_silent").target == "m"
    feed.run(60)
    assert feed.log() == ["module_silent returned"]


def test_a_module_that_refuses_everything_is_as_good_as_silent() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    feed.run(120, silent=Reason.REFUSED_2)
    assert feed.log() == ["module_silent raised"]
    assert "no such register" in feed.last("module_silent").evidence


def test_a_link_that_is_down_is_told_once_and_not_for_each_module() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    feed.run(300, silent=Reason.LINK_DOWN)
    assert feed.log() == ["link_down raised"]
    feed.run(60)
    assert feed.log() == ["link_down returned"]


def test_silence_that_begins_while_the_service_stops_is_no_silence() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    feed.run(700, silent=Reason.STOPPING)
    assert feed.log() == ["no_representative_sample raised"]


# ------------------------------------------------------------------ short cycling

BURNER = 'burner = { contact = "m.alarm", closed_means = "firing" }\n'


def cycles(feed: Feed, n: int, channel: str, on_s: float, off_s: float) -> None:
    for _ in range(n):
        feed.run(on_s, **{channel: 1})
        feed.run(off_s, **{channel: 0})


def test_more_burner_starts_in_an_hour_than_six_are_told_once_until_they_are_halved() -> None:
    feed = Feed(plant(boiler("continuous", more=BURNER)))
    feed.run(600, alarm=0)
    cycles(feed, 12, "alarm", 300, 300)  # six an hour
    assert feed.log() == []
    cycles(feed, 12, "alarm", 120, 180)  # twelve an hour
    assert feed.log() == ["short_cycling raised"]
    told = feed.last("short_cycling")
    assert (told.target, told.value, told.limit) == ("B1", 7, 6)
    assert told.evidence == "7 burner starts in 60 min, at most 6 expected; the last two 5 min apart"
    cycles(feed, 6, "alarm", 300, 300)
    assert feed.log() == []
    cycles(feed, 3, "alarm", 1200, 600)
    assert feed.log() == ["short_cycling returned"]


def test_a_limit_circuit_that_opens_again_and_again_is_counted_where_no_burner_is_wired() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(600)
    cycles(feed, 3, "limit", 3600, 30)
    assert "short_cycling raised" not in feed.log()
    cycles(feed, 1, "limit", 3600, 30)
    assert "short_cycling raised" in feed.log()
    assert "4 openings of the limit circuit in 8 h 00 min" in feed.last("short_cycling").evidence


def test_the_plant_says_how_many_and_within_what_time() -> None:
    more = '[alarms.short_cycling]\ncount = 2\nwithin = "30 min"\n'
    feed = Feed(plant(boiler("continuous", more=BURNER), more))
    feed.run(600, alarm=0)
    cycles(feed, 4, "alarm", 300, 600)
    assert feed.log() == []
    cycles(feed, 3, "alarm", 100, 100)
    assert feed.log() == ["short_cycling raised"]
    assert feed.last("short_cycling").limit == 2


def test_starts_that_nobody_watched_and_a_contact_that_is_not_read_count_for_nothing() -> None:
    feed = Feed(plant(boiler("continuous", more=BURNER)))
    feed.run(600, alarm=1)  # how it began was not seen
    for _ in range(10):
        feed.run(200, alarm=None)
        feed.run(100, alarm=1)
    assert feed.log() == []
