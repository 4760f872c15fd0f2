"""Rates of analogue signals, and limits of a boiler's own signals."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.findings import PlantFileError
from config.load import loads
from daemon.alarms.condition import AlarmCell
from daemon.alarms.moving import RateLimit
from daemon.measure.senses import fresh_senses
from daemon.measure.wiring import wire
from daemon.notify.wording import figure, written_unit
from tests.support.feed import HEAD, WATER, Feed, boiler, plant

RATE = '[[analogue]]\nname = "stack"\nchannel = "m.temp"\nrange = "4..20 mA = 0..500 °F"\nrate = 100\n'
LEVEL = 'water_level = { channel = "m.temp", range = "4..20 mA = 0..100 %", low = 30, high = 80, deadband = 2 }\n'
STEAM = 'steam_pressure = { channel = "m.temp", range = "4..20 mA = 0..200 psig", low = 100, rate = 60 }\n'


def ma(value: float, top: float) -> float:
    return 4 + 16 * value / top


@settings(max_examples=60, deadline=None)
@given(
    slope=st.floats(-50, 50),
    every=st.sampled_from([1, 10, 60]),
    over=st.sampled_from([120, 600, 3600]),
)
def test_a_steady_slope_is_found_exactly(slope: float, every: int, over: int) -> None:
    """The independent value is the slope the signal was made with, once the average has settled."""
    s = fresh_senses(wire(plant(boiler())))
    c, condition = AlarmCell(), RateLimit(0, "%/h", 10.0, over * 1000, 1.0)
    judged = None
    for t in range(0, 12 * over, every):
        s.t, s.values[0], s.reasons[0] = t * 1000, 40 + slope * t / 3600, 0
        judged = condition.judge(s, c)
    assert c.value == pytest.approx(slope, abs=1e-3 * (1 + abs(slope)))
    if abs(abs(slope) - 10) > 0.1 and not 7.9 < abs(slope) < 10:
        assert judged is (abs(slope) > 10)


def test_a_signal_that_moves_too_fast_is_told_in_its_own_unit_up_and_down() -> None:
    feed = Feed(plant(boiler(), RATE)).run(1800, temp=ma(200, 500))
    value = 200.0
    for _ in range(360):  # an hour at 150 degrees an hour
        value += 150 / 360
        feed.poll(temp=ma(value, 500))
    raised = feed.last("analogue_rate")
    assert (raised.target, raised.event, raised.unit) == ("stack", "raised", "°F an hour")
    assert 100 < (raised.value or 0) < 151
    assert raised.evidence.startswith("it rises by ")
    feed.run(3600)
    assert feed.last("analogue_rate").event == "returned"
    for _ in range(360):
        value -= 150 / 360
        feed.poll(temp=ma(value, 500))
    assert feed.last("analogue_rate").evidence.startswith("it falls by ")


def test_what_is_slower_is_not_told_and_a_bad_reading_says_nothing() -> None:
    feed = Feed(plant(boiler(), RATE)).run(600, temp=ma(200, 500))
    value = 200.0
    for _ in range(720):
        value += 80 / 360
        feed.poll(temp=ma(value, 500))
    feed.run(7200, temp=2.0)
    feed.run(60, temp=ma(120, 500))  # after an hour without readings there is nothing to compare with
    assert not [e for e in feed.entries if e.kind == "analogue_rate"]


def test_a_boilers_water_level_has_limits_of_its_own_steaming_or_not() -> None:
    feed = Feed(plant(boiler("continuous", more=WATER + LEVEL))).run(300, temp=ma(50, 100)).run(60, temp=ma(25, 100))
    raised = feed.last("analogue_low")
    assert (raised.target, raised.name, raised.event) == ("B1", "water_level", "raised")
    feed.run(120, temp=ma(31, 100))
    assert feed.last("analogue_low").event == "raised"  # inside its deadband
    feed.run(120, temp=ma(50, 100))
    assert feed.last("analogue_low").event == "returned"
    feed.run(900, limit=0).run(60, temp=ma(25, 100))
    assert feed.last("analogue_low").event == "raised"


def test_low_pressure_of_a_boiler_that_is_off_is_none() -> None:
    feed = Feed(plant(boiler("continuous", more=STEAM))).run(1200, temp=ma(120, 200)).run(60, temp=ma(90, 200))
    assert feed.last("analogue_low").name == "steam_pressure"
    feed.run(600, limit=0, temp=ma(20, 200))
    assert feed.last("analogue_low").event == "returned"


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("rate = 0", "rate"),
        ("rate = -3", "rate"),
        ('rate = 5\nrate_over = "2 d"', "wants a day at most; found 48 h"),
    ],
)
def test_errors_in_the_plant_file(more: str, said: str) -> None:
    with pytest.raises(PlantFileError, match=said):
        loads(HEAD + boiler() + RATE.replace("rate = 100", more))


def test_limits_of_a_boilers_signal_are_checked_too() -> None:
    wrong = LEVEL.replace("low = 30", "low = 90")
    with pytest.raises(PlantFileError, match="wants less than high"):
        loads(HEAD + boiler(more=WATER + wrong))
    assert math.isfinite(loads(HEAD + boiler(more=WATER + LEVEL)).plant.boilers[0].water_level.low)  # type: ignore[union-attr, arg-type]


def test_a_mail_says_these_figures_in_the_units_they_were_written_in() -> None:
    p = plant(boiler("continuous", more=STEAM))
    feed = Feed(p).run(1200, temp=ma(120, 200)).run(60, temp=ma(90, 200))
    low = next(n for n in feed.notices if n.kind == "analogue_low")
    assert low.value is not None and low.limit is not None
    assert figure(low.value, low.unit, p, written_unit(low, p)) == ("90", "psig")
    assert figure(low.limit, low.unit, p, written_unit(low, p)) == ("100", "psig")
    for unit in ("°F an hour", "gal an hour", "m3 an hour"):  # never taken for a unit that would be turned into another
        rate = replace(low, kind="analogue_rate", target="stack", name="", value=120.0, unit=unit)
        assert figure(120.0, unit, p, written_unit(rate, p)) == ("120", unit)
