"""Shift logs of a wall controller that does nothing, and of valves and pumps that work while their boiler is off."""

from __future__ import annotations

import pytest

from tests.support.feed import Feed, boiler, plant

HAND = 'controller_hand = { contact = "m.alarm", closed_means = "hand" }\n'
TOLD = "[alarms.controller_idle]\n"
BOTH = 'command = "m.blow", travel = "10 s", open_switch = "m.opened", shut_switch = "m.shut"'


def pump(more: str = "") -> str:
    return f'[[chemical]]\nname = "scavenger"\npump = "m.high"\nserves = ["B1"]\n{more}'


def mine(feed: Feed, kind: str) -> list[str]:
    return [e.event for e in feed.entries if e.kind == kind]


# ------------------------------------------------------------------ the controller does nothing


def test_a_controller_left_in_hand_is_told_after_half_an_hour_of_steaming() -> None:
    feed = Feed(plant(TOLD, boiler("continuous", more=HAND)))
    feed.run(600, cond=2900)
    feed.run(1500, alarm=1)
    feed.run(300, alarm=0)
    assert feed.log() == []
    feed.run(1860, alarm=1)
    assert feed.log() == ["controller_idle raised"]
    told = feed.last("controller_idle")
    assert (told.unit, told.limit) == ("s", 1800)
    assert told.evidence == (
        "the wall controller's hand contact is on for 30 min while the boiler steams; conductivity 2900 umho/cm"
    )
    feed.run(60, alarm=0)
    assert feed.log() == ["controller_idle returned"]


def test_hand_while_the_boiler_is_off_is_nobodys_business() -> None:
    feed = Feed(plant(TOLD, boiler("continuous", more=HAND)))
    feed.run(600, cond=2900)
    feed.run(7200, alarm=1, limit=0)
    feed.run(600, alarm=0)
    assert "controller_idle raised" not in feed.log()


def test_a_controller_that_misses_its_samples_while_the_boiler_steams() -> None:
    feed = Feed(plant(TOLD, boiler("timed", sample='flush = "20 s", every = "30 min"')))
    for _ in range(6):
        feed.run(60, blow=1, cond=2950)
        feed.run(1800, blow=0)
    assert feed.log() == []
    feed.run(2800)
    assert feed.log() == ["controller_idle raised"]  # before no representative sample, which follows from it
    assert (
        "no valve command for 75 min of steaming, a sample is due every 30 min" in feed.last("controller_idle").evidence
    )
    feed.run(60, blow=1)
    assert feed.log() == ["controller_idle returned"]


def test_a_night_off_is_no_missed_sample() -> None:
    feed = Feed(plant(TOLD, boiler("timed", sample='flush = "20 s", every = "30 min"')))
    feed.run(60, blow=1, cond=2950)
    feed.run(600, blow=0)
    feed.run(8 * 3600, limit=0)
    feed.run(1800 + 3600, limit=1)
    assert mine(feed, "controller_idle") == []


def test_above_the_set_point_with_no_blow_is_told_before_the_limit_is_reached() -> None:
    feed = Feed(plant(TOLD, boiler("continuous")))
    feed.run(600, cond=2950)
    feed.run(3600, cond=3080)  # within what two instruments may differ by
    assert feed.log() == []
    feed.run(1920, cond=3150)
    assert feed.log() == ["controller_idle raised"]
    assert (
        "with conductivity above the set point of 3000 umho/cm; conductivity 3150"
        in feed.last("controller_idle").evidence
    )
    feed.run(60, blow=1)
    assert feed.log() == ["controller_idle returned"]


def test_samples_above_the_set_point_that_no_blow_follows() -> None:
    feed = Feed(plant(TOLD, boiler("timed", sample='flush = "20 s", every = "30 min"')))

    def sample(cond: float, open_s: float) -> None:
        feed.run(open_s, blow=1, cond=cond)
        feed.run(1740, blow=0)

    for _ in range(3):
        sample(3150, 600)  # it blows, and gets it down too little: that is no idle controller
    for _ in range(2):
        sample(3150, 60)
    assert mine(feed, "controller_idle") == []
    sample(3150, 60)
    assert mine(feed, "controller_idle") == ["raised"]
    told = feed.last("controller_idle").evidence
    assert told.startswith("no blow after 3 samples in 6") and "set point of 3000 umho/cm; conductivity 3150" in told
    sample(3150, 60)
    assert mine(feed, "controller_idle") == ["raised"]
    sample(3150, 600)
    assert mine(feed, "controller_idle") == ["raised", "returned"]


def test_a_command_that_cannot_be_read_raises_and_clears_nothing() -> None:
    feed = Feed(plant(TOLD, boiler("continuous")))
    feed.run(600, cond=2950)
    feed.run(7200, cond=3150, blow=None)
    assert mine(feed, "controller_idle") == []
    feed.run(2000, blow=0)
    assert mine(feed, "controller_idle") == ["raised"]
    feed.run(600, blow=None)
    assert mine(feed, "controller_idle") == ["raised"]


def test_the_plant_says_how_long_it_may_be_idle() -> None:
    feed = Feed(plant(TOLD + 'on_delay = "2 h"\n', boiler("continuous", more=HAND)))
    feed.run(600, cond=2900)
    feed.run(7100, alarm=1)
    assert feed.log() == []
    feed.run(200)
    assert feed.log() == ["controller_idle raised"]


# ------------------------------------------------------------------ blowdown while off


def test_a_valve_commanded_open_while_the_boiler_is_off() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(600, cond=2900)
    feed.run(60, limit=0)
    feed.run(200, blow=1)
    feed.run(60, blow=0)
    assert mine(feed, "blowdown_while_off") == []  # five minutes are given
    feed.run(320, blow=1)
    assert mine(feed, "blowdown_while_off") == ["raised"]
    assert "off for" in feed.last("blowdown_while_off").evidence
    assert "commanded open, for 5 min of it" in feed.last("blowdown_while_off").evidence
    assert feed.last("blowdown_while_off").value == pytest.approx(300, abs=10)
    feed.run(90, blow=0)
    assert mine(feed, "blowdown_while_off") == ["raised", "returned"]


def test_a_valve_that_its_switch_says_is_not_shut_is_told_though_nothing_commands_it() -> None:
    feed = Feed(plant(boiler("continuous", valve=BOTH)))
    feed.run(600, cond=2900, shut=1, opened=0)
    feed.run(900, limit=0, shut=0)
    assert mine(feed, "blowdown_while_off") == ["raised"]
    assert "not commanded; the shut switch has not made" in feed.last("blowdown_while_off").evidence
    feed.run(1800, limit=1)  # it makes steam again: from here on the valve is judged as stuck open
    assert mine(feed, "blowdown_while_off") == ["raised", "returned"]


def test_what_is_drained_on_purpose_is_no_blowdown_while_off() -> None:
    feed = Feed(plant(boiler("continuous", valve=BOTH)))
    feed.run(600, cond=2900, shut=1, opened=0)
    feed.run(600, limit=0)
    until = feed.groups[-1].at_ms + 48 * 3_600_000
    assert feed.act("word", target="B1", state="drained", why="inspection", until_ms=until) == ""
    feed.run(7200, blow=1, shut=0, opened=1)
    assert mine(feed, "blowdown_while_off") == []


# ------------------------------------------------------------------ chemical feed while off


def test_a_pump_that_runs_while_its_boiler_is_off() -> None:
    feed = Feed(plant(boiler("continuous"), pump()))
    feed.run(3600, cond=2900, high=1)
    feed.run(280, limit=0)
    assert mine(feed, "chemical_feed_while_off") == []
    feed.run(60)
    assert mine(feed, "chemical_feed_while_off") == ["raised"]
    told = feed.last("chemical_feed_while_off")
    assert told.target == "scavenger" and told.unit == "s"
    assert told.evidence.startswith("ran for 5 min") and "while its boilers stand (off, for" in told.evidence
    feed.run(600, high=0)
    assert mine(feed, "chemical_feed_while_off") == ["raised"]
    feed.run(600)
    assert mine(feed, "chemical_feed_while_off") == ["raised", "returned"]


def test_a_pump_that_goes_on_for_a_share_of_the_time_is_found_by_its_running_time() -> None:
    feed = Feed(plant(boiler("continuous"), pump()))
    feed.run(3600, cond=2900)
    feed.now |= {"limit": 0}
    for _ in range(5):
        feed.run(120, high=1)
        feed.run(180, high=0)
    assert mine(feed, "chemical_feed_while_off") == ["raised"]


def test_a_shot_now_and_then_is_no_feeding_and_a_boiler_that_warms_may_be_fed() -> None:
    feed = Feed(plant(boiler("continuous"), pump()))
    feed.run(3600, cond=2900)
    feed.now |= {"limit": 0}
    for _ in range(20):
        feed.run(60, high=1)
        feed.run(3600, high=0)
    feed.run(1200, limit=1, high=1)
    assert mine(feed, "chemical_feed_while_off") == []


def test_a_pump_of_two_boilers_is_judged_when_both_stand() -> None:
    other = boiler("none", interlock='contact = "m.low", closed_means = "running"').replace('"B1"', '"B2"')
    feed = Feed(plant(boiler("continuous"), other, pump().replace('["B1"]', '["B1", "B2"]')))
    feed.run(3600, cond=2900, high=1, low=1)
    feed.run(3600, limit=0)
    assert mine(feed, "chemical_feed_while_off") == []
    feed.run(600, low=0)
    assert mine(feed, "chemical_feed_while_off") == ["raised"]


def test_the_plant_says_how_long_a_pump_may_run() -> None:
    more = '[alarms.chemical_feed_while_off]\non_delay = "1 h"\n'
    feed = Feed(plant(boiler("continuous"), pump(more)))
    feed.run(600, cond=2900)
    feed.run(3500, limit=0, high=1)
    assert mine(feed, "chemical_feed_while_off") == []
    feed.run(300)
    assert mine(feed, "chemical_feed_while_off") == ["raised"]
