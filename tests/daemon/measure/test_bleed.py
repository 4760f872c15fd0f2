"""What flows with the valves shut is learned as normal, and what exceeds it teaches nothing."""

from __future__ import annotations

import pytest

from config.load import loads
from daemon.engine import carry, dump, restore, start, step
from daemon.measure import bleed
from daemon.measure.aside import BLOW_BY_HAND
from daemon.measure.bleed import Bleed
from drivers.demo.scenario import Event
from tests.daemon.measure.test_healthy_days import groups
from tests.support.feed import START_MS, Feed, boiler, plant, same
from tests.support.recordings import creamery

METER = """[[meter]]
name = "blowdown"
channel = "m.pulses"
measures = "blowdown"
pulse = "10 L"
max_rate = "10 m3/h"
serves = ["B1"]
"""
HOUR = 3600


def shut(c: Bleed, hours: float, kg_h: float, mass: float, t: int) -> tuple[float, int]:
    """A meter polled every 10 s with the valve shut; total and time after it."""
    for _ in range(round(hours * 360)):
        t += 10_000
        mass += kg_h / 360
        bleed.follow(c, True, t, mass, 10.0)
    return mass, t


def test_a_bleed_is_learned_from_three_windows_and_a_leak_is_not() -> None:
    c = Bleed()
    mass, t = shut(c, 11.9, 59.0, 0.0, 0)
    assert bleed.normal(c) is None
    mass, t = shut(c, 0.2, 59.0, mass, t)
    assert bleed.normal(c) == pytest.approx(59.0, rel=1e-6)
    mass, t = shut(c, 12.0, 150.0, mass, t)
    assert bleed.normal(c) == pytest.approx(59.0, rel=0.01)
    assert c.last == pytest.approx(150.0, rel=0.01) and c.above >= 2
    mass, t = shut(c, 200.0, 66.0, mass, t)  # a throttle that wears is followed slowly
    assert 63.0 < (bleed.normal(c) or 0.0) < 66.1
    assert c.above == 0


def test_what_a_blow_passes_is_no_bleed() -> None:
    c, mass, t = Bleed(), 0.0, 0
    for _ in range(40):
        for k in range(60):  # a blow of ten minutes, of which the line runs empty a minute after
            t += 10_000
            mass += 3000 / 360
            bleed.follow(c, k >= 54, t, mass, 10.0)
        mass, t = shut(c, 0.5, 59.0, mass, t)
    assert bleed.normal(c) == pytest.approx(59.0, rel=0.05)


def test_a_meter_not_read_for_long_and_one_of_another_mass_say_nothing_of_the_time_between() -> None:
    c = Bleed()
    mass, t = shut(c, 1.0, 60.0, 0.0, 0)
    known = (c.kg, c.ms)
    for _ in range(60):
        t += 10_000
        bleed.follow(c, True, t, None, 10.0)
    bleed.follow(c, True, t + 10_000, mass + 5000.0, 10.0)
    assert (c.kg, c.ms) == known


def blowing(feed: Feed, hours: int, pulses: int) -> int:
    """Every hour a blow of ten minutes at 3 m3/h; else a pulse in ten minutes."""
    for _ in range(hours):
        for _ in range(60):
            pulses += 1
            feed.poll(blow=1, pulses=pulses % 65_536)
        feed.poll(blow=0)
        for _ in range(5):
            feed.run(590)
            pulses += 1
            feed.poll(pulses=pulses % 65_536)
    return pulses


def test_in_the_engine_with_restart_and_reload() -> None:
    p = plant(METER, boiler("continuous"))
    feed = Feed(p)
    feed.poll(pulses=0)
    blowing(feed, 20, 0)
    (c,) = feed.state.cells.senses.bleeds
    assert bleed.normal(c) == pytest.approx(60.0, rel=0.1)
    assert same(restore(p, dump(feed.state)), feed.state)
    other, _, _ = carry(feed.state, plant(METER, boiler("continuous", duty="lag")), 2, feed.groups[-1].at_ms)
    assert other.cells.senses.bleeds == [c]
    gone, _, _ = carry(feed.state, plant(METER.replace('"blowdown"', '"other"'), boiler("continuous")), 2, 0)
    assert gone.cells.senses.bleeds == []


def test_while_a_boiler_is_off_or_its_valve_cannot_be_read_nothing_is_learned() -> None:
    feed = Feed(plant(METER, boiler("continuous")))
    pulses = 0
    for now in ({"limit": 0}, {"limit": 1, "blow": None}):
        for _ in range(40):
            pulses += 1
            feed.run(600, pulses=pulses, **now)
    assert feed.state.cells.senses.bleeds[0].ms == 0


def test_the_creamerys_bleed_is_learned_as_its_file_states_it_and_a_leaking_seat_shows_beside_it() -> None:
    switches = 'open_switch = "di.b1_valve_open", shut_switch = "di.b1_valve_shut", '
    assert switches in creamery().text  # with them B1 is told as stuck open, and what passes is no bleed
    state = start(loads(creamery().text.replace(switches, "")).plant, 1)
    for group in groups(44, 1, (Event(28 * 60, 44 * 60, "valve leaks", "B1", 0.12),), 30):
        state, _ = step(state, [group])
    (rule,), (c,) = state.programme.wiring.bleeds, state.cells.senses.bleeds
    assert rule.stated == pytest.approx(58.97, abs=0.01)  # B2: 130 lb/h
    assert bleed.normal(c) == pytest.approx(rule.stated, rel=0.1)
    assert c.last > 2 * rule.stated


def test_what_passes_during_a_blow_by_hand_is_no_bleed() -> None:
    feed = Feed(plant(METER, boiler("continuous")))
    feed.run(600, pulses=0)
    begin = START_MS + feed.t
    assert feed.act("hand", target="B1", what=BLOW_BY_HAND, from_ms=begin, until_ms=begin + HOUR * 1000) == ""
    before = feed.state.cells.senses.bleeds[0].kg
    for k in range(60):
        feed.run(50, pulses=5 * k)
    assert feed.state.cells.senses.bleeds[0].kg == before
