"""No wire tells of the sample valve: the probe's temperature does, and readings are uncertain at best."""

from __future__ import annotations

import random

import pytest

from daemon.core.reasons import Reason
from tests.support.feed import Feed, boiler, plant

TEMPERATURE = 'probe_temperature = { channel = "m.temp", range = "4..20 mA = 0..200 °C" }\n'


def ma(celsius: float) -> float:
    return 4 + 16 * celsius / 200


def unwired() -> Feed:
    return Feed(plant(boiler("timed", valve="", more=TEMPERATURE)))


def sampled(feed: Feed, celsius: float, level: float, draw: random.Random) -> float:
    """A sample of two minutes that warms the probe within half a minute, then half an hour in which it cools."""
    for k in range(12):
        celsius += (168 - celsius) * (0.6 if k < 4 else 1.0)
        feed.poll(cond=level + draw.gauss(0, 3), temp=ma(celsius + draw.gauss(0, 0.2)))
    for k in range(180):
        celsius += (30 - celsius) * 10 / 1200  # a time constant of 20 min
        feed.poll(cond=level - 3 * k + draw.gauss(0, 3), temp=ma(celsius + draw.gauss(0, 0.2)))
    return celsius


def test_readings_come_from_hot_sample_alone_and_are_marked_as_inferred() -> None:
    feed, draw, celsius = unwired(), random.Random(1), 60.0
    for level in (2900.0, 2910.0, 2920.0):
        celsius = sampled(feed, celsius, level, draw)
    feed.readings.clear()
    for level in (2930.0, 2940.0):
        begin = feed.t // 1000
        celsius = sampled(feed, celsius, level, draw)
        mine = [r for r in feed.readings if r[0] > begin]
        assert len(mine) >= 5
        assert all(v == pytest.approx(level, abs=40) for _, v, _ in mine)  # of the water that stands: less by up to 540
        assert all(why == Reason.INFERRED for _, _, why in mine)
        assert all(t <= begin + 120 + 70 for t, _, _ in mine)
        assert Reason(feed.state.cells.senses.reasons[0]) == Reason.NOT_SAMPLING


def test_a_probe_behind_a_cooler_or_without_a_temperature_goes_by_its_plateau() -> None:
    feed = unwired()
    feed.run(3600, temp=ma(35))
    assert len(feed.readings) > 300
    feed.run(600, temp=0.0)  # its loop is open: nothing is known of the temperature
    assert feed.readings[-1][0] == feed.t // 1000


def test_a_pressure_that_falls_slowly_is_no_cooling() -> None:
    feed = unwired()
    feed.run(600, temp=ma(168))
    for k in range(180):  # ten degrees in half an hour
        feed.poll(temp=ma(168 - 10 * k / 180))
    assert feed.readings[-1][0] == feed.t // 1000
