"""What a valve, a burner and a water are used to outlives a reload that has nothing to do with them."""

from __future__ import annotations

from daemon.engine import carry
from daemon.engine.state import State
from tests.daemon.alarms.test_feedwater import FED, WATER, ma
from tests.daemon.alarms.test_valve_wear import BOTH, HEAT, sampled
from tests.support.feed import Feed, boiler, plant

BURNER = 'burner = { contact = "m.alarm", closed_means = "firing" }\n'
SAMPLE = 'flush = "20 s", every = "30 min"'
OWN = boiler("timed", sample=SAMPLE, valve=BOTH, more=HEAT + BURNER + FED)
OTHER = '[[boiler]]\nname = "B0"\npressure = "100 psig"\nhigh_water = { contact = "m.high", closed_means = "high" }\n'


def known() -> Feed:
    feed = Feed(plant(OWN, WATER))
    feed.run(600, cond=2950, shut=1, opened=0, alarm=0, temp=ma(400))
    for _ in range(8):
        feed.run(20, blow=1, shut=0)
        feed.run(120, opened=1, alarm=1)
        feed.run(20, blow=0, opened=0, alarm=0)
        feed.run(1500, shut=1)
    sampled(feed, 4, 60)
    b = feed.state.cells.senses.boilers[0]
    assert b.habits.opening.n >= 8 and b.habits.rests > 0 and len(b.cycles.starts) >= 2
    assert feed.state.cells.senses.usuals[0].n
    return feed


def under(feed: Feed, *parts: str) -> State:
    state, _, _ = carry(feed.state, plant(*parts), 2, feed.groups[-1].at_ms)
    return state


def test_a_reload_that_moves_slots_and_nothing_else_keeps_what_was_learned() -> None:
    """A boiler written before it shifts every contact's place: the same signals, and so the same filters."""
    feed = known()
    was = feed.state.cells.senses
    now = under(feed, OTHER, OWN, WATER).cells.senses
    mine = now.boilers[1]
    assert (mine.habits, mine.cycles) == (was.boilers[0].habits, was.boilers[0].cycles)
    assert (mine.watch, mine.sampler) == (was.boilers[0].watch, was.boilers[0].sampler)
    assert now.usuals == was.usuals


def test_another_switch_travel_or_burner_starts_what_it_is_about_anew() -> None:
    feed = known()
    was = feed.state.cells.senses.boilers[0]
    for change in (('open_switch = "m.opened"', 'open_switch = "m.high"'), ('travel = "10 s"', 'travel = "20 s"')):
        assert change[0] in OWN
        now = under(feed, OWN.replace(*change), WATER).cells.senses.boilers[0]
        assert now.habits.opening.n == 0 and now.cycles == was.cycles
    now = under(feed, OWN.replace('burner = { contact = "m.alarm"', 'burner = { contact = "m.high"'), WATER)
    assert now.cells.senses.boilers[0].cycles.starts == ()
    assert now.cells.senses.boilers[0].habits == was.habits


def test_another_channel_of_the_water_starts_its_week_anew() -> None:
    feed = known()
    now = under(feed, OWN, WATER.replace('"m.temp"', '"m.cond"'))
    assert now.cells.senses.usuals[0].n == 0


def test_another_probe_on_the_same_range_is_another_signal() -> None:
    feed = known()
    now = under(feed, OWN.replace('channel = "m.cond"', 'channel = "m.temp"'), WATER).cells.senses.boilers[0]
    assert now.watch.noise.n == 0 and now.sampler.value is None
    assert feed.state.cells.senses.boilers[0].sampler.value is not None
