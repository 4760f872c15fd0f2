"""Alarms of what is learned or counted, explained from a store: the limit, what it rests on, and where that stands."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from config.load import loads
from tests.daemon.alarms import test_house as house
from tests.daemon.alarms.test_boiler import BURNER, cycles
from tests.daemon.alarms.test_feedwater import FED, WATER, learned, ma
from tests.daemon.alarms.test_idle import HAND, TOLD, pump
from tests.daemon.alarms.test_valve_wear import BOTH, HEAT, METER, metered, sampled, strokes
from tests.daemon.report.test_explain import step
from tests.daemon.report.test_explain_alarm import explained
from tests.support.feed import HEAD, NEVER_IDLE, Feed, boiler
from tests.support.small_store import store
from tests.support.wording import forbidden


def idle(feed: Feed) -> None:
    feed.run(600, cond=2900)
    feed.run(2000, alarm=1)


def cycling(feed: Feed) -> None:
    feed.run(600, alarm=0)
    cycles(feed, 8, "alarm", 120, 180)


def fed(feed: Feed) -> None:
    feed.run(3600, cond=2900, high=1)
    feed.run(600, limit=0)


def slow(feed: Feed) -> None:
    feed.run(600, shut=1, opened=0)
    strokes(feed, 18, 2)
    strokes(feed, 6, 8)


def warm(feed: Feed) -> None:
    feed.run(600, cond=2950)
    sampled(feed, 8, 60)
    sampled(feed, 2, 165)


def leaking(feed: Feed) -> None:
    feed.run(600, cond=2950, pulses=0)
    metered(feed, 4, 150, metered(feed, 16, 600, 0))


def changed(feed: Feed) -> None:
    learned(feed)
    feed.run(3600, temp=ma(900))


def drained(feed: Feed) -> None:
    feed.run(600, temp=house.ma(50))
    feed.run(600, temp=house.ma(1))


def on_and_on(feed: Feed) -> None:
    feed.run(600, high=0)
    feed.run(1800, high=1)


def filling(feed: Feed) -> None:
    feed.run(600, limit=0)
    house.flow(feed, 7200, 600)


SLOW = BOTH.replace('travel = "10 s"', 'travel = "40 s"')
CASES: list[tuple[str, str, Callable[[Feed], None], int, tuple[str, ...]]] = [
    ("controller_idle", TOLD + boiler(more=HAND), idle, 10, ("told after 30 min", "on_delay: common practice")),
    (
        "short_cycling",
        boiler(more=BURNER) + "[alarms.short_cycling]\ncount = 5\n",
        cycling,
        10,
        ("more than 5 in 60 min; it clears at 2 or fewer", "count: plant file line", "within: common practice"),
    ),
    ("chemical_feed_while_off", boiler() + pump(), fed, 10, ("told after 5 min",)),
    ("tank_low", boiler() + house.TANK, drained, 10, ("15 % of the full level; it clears at 17 %", "plant file line")),
    ("tank_empty", boiler() + house.TANK, drained, 10, ("2 % of the full level; it clears at 4 %", "common practice")),
    (
        "pump_overrun",
        boiler() + house.OFF + pump('pacing = "after blow"\nlimit = "10 min"\n'),
        on_and_on,
        10,
        ("half as much again as its limit", "limit: plant file line", "the half: common practice"),
    ),
    (
        "pump_overrun",
        boiler() + house.OFF + pump() + '[alarms.pump_overrun]\non_delay = "20 min"\n',
        on_and_on,
        10,
        ("on without a break for more than 20 min", "on_delay: plant file line"),
    ),
    (
        "meter_running_while_off",
        boiler() + house.METER,
        filling,
        10,
        ("three pulses in 15 min, and 1 % of max_rate at least", "on_delay: common practice"),
    ),
    ("valve_slow", boiler(valve=SLOW), slow, 10, ("its first 12 strokes: 20 s open", "stated travel: 40 s; 1.5 times")),
    (
        "valve_leaking",
        boiler("timed", sample='flush = "20 s", every = "30 min"', more=HEAT),
        warm,
        10,
        ("of the way from room to boiling; usual here:",),
    ),
    ("valve_leaking", METER + boiler(), leaking, 10, ("usual with the valves shut: 13", ", learned", "x 1.5 + ")),
    ("feedwater_quality_changed", WATER + boiler(more=FED), changed, 60, ("changed: below", "or above 584.98")),
]


@pytest.mark.parametrize(("kind", "parts", "log", "every_s", "wanted"), CASES, ids=[c[2].__name__ for c in CASES])
def test_the_limit_of_an_alarm_and_what_it_rests_on(
    tmp_path: Path, kind: str, parts: str, log: Callable[[Feed], None], every_s: int, wanted: tuple[str, ...]
) -> None:
    text = HEAD.replace('every = "10 s"', f'every = "{every_s} s"') + parts
    text = text if "controller_idle" in parts else text + NEVER_IDLE
    feed = Feed(loads(text).plant, every_s)
    log(feed)
    number = next(e.occurrence for e in feed.entries if (e.kind, e.event) == (kind, "raised"))
    told = explained(store(tmp_path / "w.db", feed.groups, {1: text}), number)
    assert told.facts["kind"] == kind and told.differs == ()
    limit = step(told, "Limit")
    for part in wanted:
        assert part in limit, limit
    assert told.facts["evidence"] == feed.last(kind).evidence
    assert not forbidden(told.as_text())
