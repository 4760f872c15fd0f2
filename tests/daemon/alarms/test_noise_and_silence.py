"""Three in the morning: signals that tremble at a limit, fall silent at the wrong moment, come back after a gap."""

from __future__ import annotations

import pytest

from daemon.core.reasons import Reason
from daemon.core.scan import Group, Scan
from daemon.engine import start, step
from tests.support.feed import START_MS, WATER, Feed, boiler, plant

CONTINUOUS = boiler("continuous", more=WATER)
HOURS = 3_600_000


def events(feed: Feed, kind: str) -> list[str]:
    return [e.event for e in feed.entries if e.kind == kind]


# ------------------------------------------------------------------ noise at a limit


def test_a_reading_over_the_limit_now_and_then_does_not_add_up_to_a_delay() -> None:
    feed = Feed(plant(CONTINUOUS))
    for _ in range(50):
        feed.run(10, cond=3305)
        feed.run(600, cond=3290)  # inside the deadband
    assert feed.log() == []


def test_noise_around_a_limit_raises_once_and_does_not_flap() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(120, cond=3310)
    for k in range(500):
        feed.poll(cond=3300 + (-1) ** k * 40)
    assert feed.log() == ["conductivity_high raised"]


def test_an_analogue_signal_in_its_deadband_is_not_told_as_above_its_limit() -> None:
    text = '[[analogue]]\nname = "A"\nchannel = "m.temp"\nrange = "4..20 mA = 0..100 °C"\nhigh = 50.0\ndeadband = 5.0\n'
    feed = Feed(plant(boiler("continuous"), text + 'delay = "1 min"\n'))
    feed.run(60, temp=10.0)
    feed.run(20, temp=12.1)
    feed.run(600, temp=11.9)
    assert feed.log() == []
    feed.run(90, temp=12.1)
    assert feed.log() == ["analogue_high raised"]


@pytest.mark.parametrize("kind", ["conductivity_high", "conductivity_low"])
def test_a_deadband_wider_than_the_way_to_the_limit_still_clears(kind: str) -> None:
    feed = Feed(plant(f"[alarms.{kind}]\ndeadband = 4000.0\n", boiler("continuous")))
    feed.run(300, cond=2950)
    feed.run(1200, cond=3400 if kind == "conductivity_high" else 2300)
    assert feed.log() == [f"{kind} raised"]
    feed.run(600, cond=1600 if kind == "conductivity_high" else 2950)
    assert f"{kind} returned" in feed.log()


def test_a_flush_that_is_a_little_short_does_not_clear_and_raise_at_every_sample() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(600)
    for _ in range(6):
        feed.run(40, blow=1, cond=2980)  # the first flushed reading is still of the line
        feed.run(30, cond=3400)
        feed.run(1200, blow=0)
    assert feed.log() == ["conductivity_high raised"]
    feed.run(70, blow=1, cond=2900)
    feed.run(60, blow=0)
    assert feed.log() == ["conductivity_high returned"]


def test_a_flushed_minute_inside_the_deadband_clears_during_a_long_blow() -> None:
    feed = Feed(plant(boiler("timed")))
    feed.run(600)
    feed.run(1000, blow=1, cond=3400)
    feed.run(50, cond=3200)
    assert feed.log() == ["conductivity_high raised"]
    feed.run(30)
    assert feed.log() == ["conductivity_high returned"]


def test_noise_neither_hides_a_valve_stuck_shut_nor_makes_it_flap() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600, cond=2950)
    feed.now |= {"blow": 1}
    for k in range(1400):
        feed.poll(cond=3020 + (-1) ** k * 8)  # half a percent, flat for four hours
    assert events(feed, "valve_stuck_shut") == ["raised"]


# ------------------------------------------------------------------ alarms that must end


def test_stuck_shut_ends_when_conductivity_comes_down_to_its_band_though_the_command_is_off() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600, cond=2950)
    feed.run(1400, blow=1, cond=3020)
    assert feed.log() == ["valve_stuck_shut raised"]
    feed.run(600, blow=0, cond=2980)
    assert feed.log() == []  # nothing shows that it passes
    feed.run(60, cond=2890)
    assert feed.log() == ["valve_stuck_shut returned"]


def test_no_sample_waits_for_a_sample_when_the_boiler_steams_again() -> None:
    feed = Feed(plant(boiler("timed", sample='flush = "20 s", every = "30 min"')))
    feed.run(60, blow=1, cond=2950)
    feed.run(5300, blow=0)
    feed.run(7200, limit=0)
    feed.run(1800 + 300, limit=1)  # warms, then steams for five minutes: 93 min of steaming in all
    feed.run(200)
    assert "no_representative_sample raised" not in feed.log()
    feed.run(600)
    assert "no_representative_sample raised" in feed.log()


def test_no_sample_and_over_time_give_their_figures_in_seconds() -> None:
    feed = Feed(plant(boiler("continuous", valve='command = "m.blow", travel = "10 s", longest = "30 min"')))
    feed.run(300)
    feed.run(700, cond=None)
    entry = feed.last("no_representative_sample")
    assert (entry.unit, entry.limit) == ("s", 600)
    assert entry.value == pytest.approx(610)
    feed.run(2000, cond=2900, blow=1)
    entry = feed.last("blowdown_over_time")
    assert (entry.unit, entry.limit) == ("s", 1800)
    assert entry.value == pytest.approx(1810)


# ------------------------------------------------------------------ tops of ranges


@pytest.mark.parametrize("limits", [', high = "5000 uS/cm"', ""])
def test_the_top_of_the_range_is_very_high_though_no_limit_for_it_is_given(limits: str) -> None:
    text = boiler("continuous").replace(', set_point = "3000 uS/cm", differential = "100 uS/cm"', limits)
    feed = Feed(plant(text))
    feed.run(300, cond=4900)
    feed.run(300, ma=20.0)
    entry = feed.last("conductivity_very_high")
    assert entry.evidence.startswith("at least 5000 umho/cm, where its range ends; no limit for very high is given")
    feed.run(300, ma=None, cond=4000)
    assert feed.log()[-1] == "conductivity_very_high returned"


def test_a_top_below_the_limit_does_not_claim_to_be_above_it() -> None:
    feed = Feed(plant(boiler("continuous").replace("0..5000", "0..3500")))
    feed.run(300, cond=2900)
    feed.run(300, ma=20.0)
    assert "above the limit" not in feed.last("conductivity_very_high").evidence
    assert "the limit is 3750 umho/cm" in feed.last("conductivity_very_high").evidence


# ------------------------------------------------------------------ contacts


def test_low_water_in_two_polls_is_told_and_in_one_it_is_not() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    for _ in range(20):
        feed.poll(low=1)  # a float that bounces
        feed.poll(low=0)
    assert feed.log() == []
    feed.poll(low=1)
    assert feed.log() == []
    feed.poll(low=1)
    assert feed.log() == ["low_water raised"]


def test_low_water_last_read_on_is_told_though_the_contact_has_fallen_silent_since() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(300)
    feed.poll(low=1)
    feed.poll(silent=Reason.NO_ANSWER)
    assert feed.log() == ["low_water raised"]
    assert "as last read; now: no answer" in feed.last("low_water").evidence
    feed.run(40, low=0)
    feed.run(300, silent=Reason.NO_ANSWER)
    assert "low_water returned" not in feed.log()  # a bad reading clears nothing
    feed.run(120)
    assert "low_water returned" in feed.log()


def test_the_debounce_of_a_level_contact_is_part_of_its_delay() -> None:
    feed = Feed(plant(boiler("continuous", more=WATER.replace('= "low" }', '= "low", debounce = "15 s" }'))))
    feed.run(300)
    feed.run(20, low=1)
    assert feed.log() == []
    feed.poll()
    assert feed.log() == ["low_water raised"]


def test_what_stood_before_the_first_look_is_not_called_the_cause() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(120, limit=0, low=1)
    assert "which came first was not seen" in feed.last("interlock_open").evidence


def test_low_and_high_water_are_told_with_everything_else_bad() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(60, ma=0.0, limit=None, blow=None, alarm=None, low=1, high=1)
    assert {"low_water raised", "high_water raised"} <= set(feed.log())


def test_a_silent_interlock_since_the_start_does_not_hold_conductivity_back_for_ever() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(900, limit=None, cond=3400)
    assert feed.log() == ["conductivity_high raised"]


# ------------------------------------------------------------------ the valve


def test_a_refilled_boiler_is_no_proof_of_a_valve_stuck_open() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600, cond=2950)
    feed.run(60, blow=1)
    feed.run(60, blow=0)
    feed.run(3600, limit=0)
    feed.run(4 * 3600, limit=1, cond=1800)
    assert "valve_stuck_open raised" not in feed.log()


def test_stuck_open_is_judged_by_the_first_reading_since_steaming_too() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(2400, cond=2950)
    feed.run(4000, ramp=-1.0)
    assert "valve_stuck_open raised" in feed.log()


def test_a_valve_that_cannot_be_read_is_not_over_its_time() -> None:
    feed = Feed(plant(boiler("continuous", valve='command = "m.blow", travel = "10 s", longest = "30 min"')))
    feed.run(300)
    feed.run(600, blow=1)
    feed.run(3600, blow=None)
    assert "blowdown_over_time raised" not in feed.log()


def test_a_modulating_valve_may_stay_open_unless_a_longest_time_is_written() -> None:
    valve = 'kind = "modulating", position = { channel = "m.temp", range = "4..20 mA = 0..100 %" }'
    feed = Feed(plant(boiler("continuous", valve=valve)))
    feed.run(5 * 3600, temp=8.0)
    assert feed.log() == []
    feed = Feed(plant(boiler("continuous", valve=valve + ', longest = "1 h"')))
    feed.run(5 * 3600, temp=8.0)
    assert feed.log() == ["blowdown_over_time raised"]


def test_a_command_stuck_on_for_days_stands_once() -> None:
    feed = Feed(plant(boiler("timed")), every_s=60)
    feed.run(3 * 86400, blow=1, cond=2950)
    assert events(feed, "blowdown_over_time") == ["raised"]


def test_end_switches_on_a_slow_module_are_given_their_time() -> None:
    slow = '[[module]]\nname = "slow"\nlink = "panel"\nunit = 2\nevery = "1 min"\n[module.channels]\n'
    slow += 'opened = { function = "discrete", address = 0 }\n'
    valve = 'command = "m.blow", travel = "10 s", open_switch = "slow.opened"'
    feed = Feed(plant(slow, boiler("continuous", valve=valve)))
    feed.run(65)
    feed.run(50, blow=1)
    feed.run(200, opened=1)
    assert events(feed, "valve_stuck_shut") == []


# ------------------------------------------------------------------ what an interlock silences


def test_what_has_already_returned_is_not_named_among_what_is_held_back() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600, cond=3400)
    feed.run(300, cond=2950)
    assert feed.alarm_state("conductivity_high") == "returned to normal unacknowledged"
    feed.run(60, limit=0)
    assert next(n for n in feed.notices if n.kind == "interlock_open").held_back == ()


# ------------------------------------------------------------------ links


def test_a_link_that_is_down_is_told_though_one_of_its_modules_is_polled_once_an_hour() -> None:
    slow = '[[module]]\nname = "slow"\nlink = "panel"\nunit = 2\nevery = "1 h"\n[module.channels]\n'
    slow += 'x = { function = "discrete", address = 0 }\n'
    feed = Feed(plant(slow, boiler("continuous")))
    feed.run(300)
    feed.run(90, silent=Reason.LINK_DOWN)
    assert events(feed, "link_down") == ["raised"]


# ------------------------------------------------------------------ gaps


def test_a_gap_right_after_a_told_gap_is_on_record_too() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(60)
    for _ in range(2):
        feed.t += HOURS
        feed.poll(gap_ms=HOURS + 10_000)
    assert feed.log() == ["logger_gap raised", "logger_gap note"]


def test_an_on_delay_is_not_served_by_a_gap() -> None:
    feed = Feed(plant(CONTINUOUS))
    feed.run(600)
    feed.run(20, alarm=1)
    assert feed.log() == ["controller_alarm raised"]
    feed = Feed(plant(CONTINUOUS))
    feed.run(600)
    feed.poll(low=1)
    feed.t += 3 * HOURS
    feed.poll(gap_ms=3 * HOURS + 10_000)
    assert "low_water raised" not in feed.log()
    feed.poll()
    assert "low_water raised" in feed.log()


def test_a_module_never_polled_yet_is_not_judged() -> None:
    p = plant(CONTINUOUS)
    state = start(p, 1)
    n = len(p.modules[0].channels)
    scan = Scan(0, (None,) * n, (int(Reason.NOT_POLLED),) * n)
    journal = []
    for k in range(400):
        group = Group(k + 1, START_MS + 10_000 * k, 10_000 * k, 1, 1, (scan,) if k % 2 else ())
        state, (outcome,) = step(state, [group])
        journal += [e.kind for e in outcome.journal]
    assert journal[0] == "module_silent"
    assert set(journal) == {"module_silent", "no_representative_sample"}
