"""Shift logs of chemical pumps, tanks, and meters that count while their boilers stand."""

from __future__ import annotations

from itertools import pairwise

import pytest

from daemon.engine import dump, restore, start, step
from tests.support.feed import Feed, boiler, plant, same

B1 = boiler("continuous")
OFF = "[alarms.chemical_feed_while_off]\nenabled = false\n"
HOUR = 3600
DAY = 24 * HOUR
LEVEL = 'level = { channel = "m.temp", range = "4..20 mA = 0..100 %" }\nshape = { form = "upright" }\n'
TANK = f'[[tank]]\nname = "scavenger_tank"\nvolume = "100 gal"\n{LEVEL}low = "15 %"\nserves = ["B1"]\n'
METER = """[[meter]]
name = "makeup"
channel = "m.pulses"
measures = "makeup"
pulse = "10 L"
max_rate = "20 m3/h"
serves = ["B1"]
"""


def ma(percent: float) -> float:
    """The current of a level."""
    return 4 + 16 * percent / 100


def pump(more: str = "") -> str:
    return f'[[chemical]]\nname = "scavenger"\npump = "m.high"\nserves = ["B1"]\n{more}'


def mine(feed: Feed, kind: str) -> list[str]:
    return [e.event for e in feed.entries if e.kind == kind]


# ------------------------------------------------------------------ tanks


def test_a_tank_is_low_below_its_stated_level_and_says_how_long_it_lasts() -> None:
    feed = Feed(plant(B1, TANK, OFF))
    for percent in range(40, 15, -1):  # 1 % an hour: 24 of 100 gal a day
        feed.run(HOUR, temp=ma(percent))
    assert mine(feed, "tank_low") == []
    feed.run(600, temp=ma(14))
    assert mine(feed, "tank_low") == ["raised"]
    told = feed.last("tank_low")
    assert (told.target, told.unit, told.limit) == ("scavenger_tank", "%", 15)
    assert told.value == pytest.approx(14, abs=0.1)
    assert "14 US gal left" in told.evidence
    days = float(told.evidence.rpartition("that is ")[2].removesuffix(" days"))
    assert days == pytest.approx(14 / 24, abs=0.1)
    feed.run(600, temp=ma(16))  # inside the deadband
    assert mine(feed, "tank_low") == ["raised"]
    feed.run(600, temp=ma(90))
    assert mine(feed, "tank_low") == ["raised", "returned"]


def test_an_empty_tank_is_told_beside_low_and_without_a_stated_level_too() -> None:
    feed = Feed(plant(B1, TANK.replace('low = "15 %"\n', ""), OFF))
    feed.run(HOUR, temp=ma(50))
    feed.run(HOUR, temp=ma(3))
    assert mine(feed, "tank_empty") == []
    feed.run(600, temp=ma(1))
    assert mine(feed, "tank_empty") == ["raised"] and mine(feed, "tank_low") == []
    assert "how fast it is used is not known yet" in feed.last("tank_empty").evidence
    feed.run(600, temp=ma(60))
    assert mine(feed, "tank_empty") == ["raised", "returned"]


def test_a_level_that_is_not_there_raises_and_clears_nothing() -> None:
    feed = Feed(plant(B1, TANK, OFF))
    feed.run(HOUR, temp=ma(50))
    feed.run(HOUR, temp=3.5)  # below what a sound loop carries
    feed.run(HOUR, temp=0.0)  # a broken loop is no empty tank
    feed.run(HOUR, temp=None)
    assert mine(feed, "tank_low") == mine(feed, "tank_empty") == []
    feed.run(600, temp=ma(10))
    feed.run(HOUR, temp=0.0)
    feed.run(HOUR, temp=None)
    assert mine(feed, "tank_low") == ["raised"]


def test_a_level_out_of_service_tells_neither() -> None:
    feed = Feed(plant(B1, TANK, OFF))
    feed.run(600, temp=ma(50))
    until = feed.groups[-1].at_ms + DAY * 1000
    assert feed.act("out", target="scavenger_tank.level", until_ms=until, why="float hangs") == ""
    feed.run(HOUR, temp=ma(1))
    assert "raised" not in mine(feed, "tank_low") + mine(feed, "tank_empty")
    for kind in ("tank_low", "tank_empty"):
        assert feed.alarm_state(kind, "scavenger_tank") == "out of service"


# ------------------------------------------------------------------ pumps


def test_a_pump_that_stays_still_in_a_blow_is_told_and_returns_with_the_next_one_that_is_fed() -> None:
    feed = Feed(plant(B1, pump('pacing = "with blow"\n'), OFF))

    def blow(fed: int) -> None:
        feed.run(300, blow=1, high=fed)
        feed.run(900, blow=0, high=0)

    feed.run(600)
    blow(1)
    blow(1)
    assert mine(feed, "pump_not_as_paced") == []
    blow(0)
    assert mine(feed, "pump_not_as_paced") == ["raised"]
    assert feed.last("pump_not_as_paced").evidence.startswith("paced with blow: did not run; ran 0 s, due ")
    feed.run(12 * HOUR, limit=0)  # a night says nothing of it
    assert mine(feed, "pump_not_as_paced") == ["raised"]
    feed.run(600, limit=1)
    blow(1)
    assert mine(feed, "pump_not_as_paced") == ["raised", "returned"]


def test_a_pump_that_is_fed_as_paced_over_days_and_a_weekend_off_is_never_told() -> None:
    feed = Feed(plant(B1, pump('pacing = "with blow"\n'), OFF))
    for _ in range(2):
        for _ in range(12):
            feed.run(300, blow=1, high=1)
            feed.run(3300, blow=0, high=0)
        feed.run(12 * HOUR, limit=0)
        feed.now["limit"] = 1
    feed.run(2 * DAY, limit=0)
    assert mine(feed, "pump_not_as_paced") == mine(feed, "pump_overrun") == []


def test_a_pump_past_its_stated_run() -> None:
    feed = Feed(plant(B1, pump('pacing = "after blow"\nlimit = "10 min"\n'), OFF))
    feed.run(900, blow=1)
    feed.run(840, blow=0, high=1)
    feed.run(1800, high=0)
    assert mine(feed, "pump_overrun") == []
    feed.run(1200, high=1)
    assert mine(feed, "pump_overrun") == ["raised"]
    assert "half as much again as its limit" in feed.last("pump_overrun").evidence
    feed.run(120, high=None)
    assert mine(feed, "pump_overrun") == ["raised"]
    feed.run(120, high=0)
    assert mine(feed, "pump_overrun") == ["raised", "returned"]


def test_a_pump_without_pacing_overruns_after_hours_or_the_plants_own_time() -> None:
    feed = Feed(plant(B1, pump(), OFF))
    feed.run(3.9 * HOUR, high=1)
    assert mine(feed, "pump_overrun") == []
    feed.run(900)
    assert mine(feed, "pump_overrun") == ["raised"]
    own = Feed(plant(B1, pump(), OFF, '[alarms.pump_overrun]\non_delay = "30 min"\n'))
    own.run(1700, high=1)
    assert mine(own, "pump_overrun") == []
    own.run(300)
    assert mine(own, "pump_overrun") == ["raised"]


# ------------------------------------------------------------------ meters


def flow(feed: Feed, seconds: float, litres_h: float, **now: int) -> None:
    """So much through the meter of 10 L a pulse."""
    feed.now |= now
    begun = int(feed.now.get("pulses", 0))
    for k in range(round(seconds / 10)):
        feed.poll(pulses=begun + int((k + 1) * litres_h / 3600 + 1e-9))


def test_makeup_that_runs_through_a_night_off() -> None:
    feed = Feed(plant(B1, METER))
    flow(feed, 4 * HOUR, 2000)
    flow(feed, 50 * 60, 1500, limit=0)  # the feedwater tank fills up
    flow(feed, 2 * HOUR, 10)  # and evaporates a little
    assert mine(feed, "meter_running_while_off") == []
    flow(feed, HOUR, 400)
    assert mine(feed, "meter_running_while_off") == ["raised"]
    told = feed.last("meter_running_while_off")
    assert (told.target, told.unit) == ("makeup", "m3/h")
    assert told.limit == 0.2  # 1 % of max_rate; three pulses in a window would be 0.12
    assert told.value is not None and 0.2 <= told.value <= 0.41  # the window may have begun before the leak did
    assert "in the last 15 min while its boilers stand (off, for " in told.evidence
    flow(feed, HOUR, 0)
    assert mine(feed, "meter_running_while_off") == ["raised", "returned"]


def test_it_returns_when_the_boiler_runs_and_a_weekend_of_drops_is_not_told() -> None:
    feed = Feed(plant(B1, METER))
    flow(feed, HOUR, 2000)
    flow(feed, 2 * DAY, 8, limit=0)
    assert mine(feed, "meter_running_while_off") == []
    flow(feed, HOUR, 600)
    assert mine(feed, "meter_running_while_off") == ["raised"]
    flow(feed, HOUR, 2000, limit=1)
    assert mine(feed, "meter_running_while_off") == ["raised", "returned"]


def test_what_passed_unwatched_is_not_told() -> None:
    feed = Feed(plant(B1, METER))
    flow(feed, HOUR, 2000)
    flow(feed, 3 * HOUR, 0, limit=0)
    feed.t += 8 * HOUR * 1000
    feed.poll(gap_ms=8 * HOUR * 1000, pulses=int(feed.now["pulses"]) + 500)
    flow(feed, 2 * HOUR, 0)
    assert mine(feed, "meter_running_while_off") == []


# ------------------------------------------------------------------ however a recording is cut


def test_cut_anywhere_and_restarted_the_journal_is_the_same() -> None:
    p = plant(B1, TANK, METER, pump('pacing = "after blow"\nlimit = "10 min"\n'), OFF)
    feed = Feed(p)
    flow(feed, HOUR, 2000, temp=ma(20))
    flow(feed, 1800, 2000, temp=ma(12), blow=1)
    flow(feed, 1800, 2000, temp=ma(1), blow=0, high=1)
    flow(feed, 3 * HOUR, 500, limit=0, high=0, temp=ma(80))
    raised = {e.kind for e in feed.entries if e.event == "raised"}
    assert raised >= {"tank_low", "tank_empty", "pump_overrun", "pump_not_as_paced", "meter_running_while_off"}
    state, outcomes = start(p, 1), []
    for a, b in pairwise([*range(0, len(feed.groups), 37), len(feed.groups)]):
        state, out = step(restore(p, dump(state)), feed.groups[a:b])
        outcomes += out
    assert [e for o in outcomes for e in o.journal] == feed.entries
    assert same(state, feed.state)
