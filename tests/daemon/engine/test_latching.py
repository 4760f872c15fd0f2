"""Latched alarms: held after their condition is gone, through stops and rests, until a person lets go of the record."""

from __future__ import annotations

import pytest

from config.findings import PlantFileError
from config.load import loads
from daemon.engine import carry, dump, restore
from tests.support.feed import HEAD, START_MS, WATER, Feed, boiler, plant, same

LATCHING = "[alarms.controller_alarm]\nlatching = true\n[alarms.conductivity_high]\nlatching = true\n"
PLANT = plant(boiler(more=WATER), LATCHING)


def standing(feed: Feed, kind: str = "controller_alarm") -> int:
    return next(
        c.occurrence
        for a, c in zip(feed.state.programme.alarms, feed.state.cells.alarms, strict=True)
        if a.kind == kind and c.state != "normal"
    )


def test_it_is_confirmed_and_let_go_of_in_that_order_by_name() -> None:
    feed = Feed(PLANT).run(60).run(60, alarm=1).run(300, alarm=0)
    assert feed.alarm_state("controller_alarm") == "latched unacknowledged"
    returned = feed.last("controller_alarm")
    assert (returned.event, returned.state) == ("returned", "latched unacknowledged")
    assert "held for a look" in returned.evidence
    number = standing(feed)
    assert f"first `waterside ack {number}`" in feed.act("release", occurrence=number)
    assert feed.act("ack", occurrence=number) == ""
    assert feed.alarm_state("controller_alarm") == "latched acknowledged"
    assert feed.act("release", "Lee", occurrence=number) == ""
    assert feed.alarm_state("controller_alarm") == "normal"
    last = feed.last("controller_alarm")
    assert (last.event, last.by, last.state) == ("released", "Lee", "normal")
    assert "only what has cleared" in feed.act("release", occurrence=number)


def test_one_that_is_there_is_not_let_go_of_and_one_that_comes_back_is_raised_anew() -> None:
    feed = Feed(PLANT).run(60).run(60, alarm=1)
    number = standing(feed)
    assert "only what has cleared" in feed.act("release", occurrence=number)
    feed.act("ack", occurrence=number)
    feed.run(300, alarm=0)
    assert feed.alarm_state("controller_alarm") == "latched acknowledged"
    feed.run(60, alarm=1)
    assert feed.alarm_state("controller_alarm") == "unacknowledged"
    assert standing(feed) > number


@pytest.mark.parametrize("wanted", [0, -1, True, "1", None, 999])
def test_what_is_no_number_of_an_alarm_is_refused(wanted: object) -> None:
    feed = Feed(PLANT).run(60)
    assert "is held" in feed.act("release", occurrence=wanted)


def test_a_rest_of_the_boiler_does_not_let_go_of_it() -> None:
    feed = Feed(PLANT).run(900, cond=3600).run(1200, cond=2800)
    assert feed.alarm_state("conductivity_high") == "latched unacknowledged"
    feed.run(600, limit=0)
    assert feed.alarm_state("conductivity_high") == "latched unacknowledged"
    feed.run(1800, limit=1)
    assert feed.alarm_state("conductivity_high") == "latched unacknowledged"
    feed.run(1800, cond=3600)
    assert feed.alarm_state("conductivity_high") == "unacknowledged"


def test_a_change_of_the_plant_file_keeps_a_latched_one() -> None:
    feed = Feed(PLANT).run(60).run(60, alarm=1).run(300, alarm=0)
    other = plant(boiler(more=WATER))
    feed.state, _, _ = carry(feed.state, other, 2, START_MS + feed.t)
    feed.run(60)
    assert feed.alarm_state("controller_alarm") == "latched unacknowledged"


def test_what_the_plant_file_forbids_is_not_put_aside() -> None:
    feed = Feed(plant(boiler(more=WATER), "[alarms.controller_alarm]\nshelving = false\n")).run(60).run(60, alarm=1)
    body = {"occurrence": standing(feed), "until_ms": START_MS + feed.t + 3_600_000, "why": "float on order"}
    assert "the plant file says that controller_alarm is never put aside" in feed.act("shelve", **body)
    assert feed.alarm_state("controller_alarm") == "unacknowledged"


def test_shelving_cannot_be_allowed_where_it_never_is() -> None:
    text = HEAD + boiler(more=WATER) + "[alarms.low_water]\nshelving = true\n"
    with pytest.raises(PlantFileError, match="low_water is never put aside; found true"):
        loads(text)


def test_every_transition_says_the_quality_of_the_reading() -> None:
    feed = Feed(PLANT).run(900, cond=3600).run(1800, cond=2800)
    lines = [(e.event, e.quality) for e in feed.entries if e.kind == "conductivity_high"]
    assert lines == [("raised", "good"), ("returned", "good")]
    feed.run(120, ma=2.0)
    assert [(e.event, e.quality) for e in feed.entries if e.kind == "probe_loop_fault"] == [("raised", "bad")]


# ------------------------------------------------------------------ a restart goes on in every state

STATES = {
    "normal": lambda f: f,
    "unacknowledged": lambda f: f.run(60, alarm=1),
    "acknowledged": lambda f: _did(f.run(60, alarm=1), "ack"),
    "returned to normal unacknowledged": lambda f: f.run(60, alarm=1).run(300, alarm=0),
    "latched unacknowledged": lambda f: f.run(60, alarm=1).run(300, alarm=0),
    "latched acknowledged": lambda f: _did(f.run(60, alarm=1).run(300, alarm=0), "ack"),
    "shelved": lambda f: _did(f.run(60, alarm=1), "shelve", until_ms=START_MS + f.t + 1_800_000, why="on order"),
    "out of service": lambda f: _aside(f),
    "suppressed by design": lambda f: f.run(900, cond=3600).run(300, limit=0),
}


def _did(feed: Feed, what: str, **body: object) -> Feed:
    assert feed.act(what, occurrence=standing(feed), **body) == ""
    return feed


def _aside(feed: Feed) -> Feed:
    assert feed.act("out", target="B1", until_ms=START_MS + feed.t + 1_800_000, why="inspector") == ""
    return feed.run(60)


@pytest.mark.parametrize("state", STATES)
def test_a_restart_in_any_state_goes_on_in_that_state(state: str) -> None:
    plain = state == "returned to normal unacknowledged"
    p = plant(boiler(more=WATER)) if plain else PLANT
    kind = "conductivity_high" if state == "suppressed by design" else "controller_alarm"
    feed = STATES[state](Feed(p).run(60))
    assert feed.alarm_state(kind) == state
    again = restore(p, dump(feed.state))
    assert same(again, feed.state)
    other = Feed(p)
    other.state, other.t, other.number, other.now = again, feed.t, feed.number, dict(feed.now)
    mark = len(feed.entries)
    for log in (feed, other):  # the same hours with and without the restart
        log.run(600).run(60, alarm=1, cond=2800, limit=1).run(2400, alarm=0).run(120, alarm=1)
    assert other.entries == feed.entries[mark:]
    assert [e.quality for e in other.entries] == [e.quality for e in feed.entries[mark:]]
    assert same(other.state, feed.state)


# ------------------------------------------------------------------ the published diagram, walked by the engine

# ANSI/ISA-18.2-2016 and IEC 62682 alarm state diagram, reference rows by id (status: memory). AL-016 and AL-023, the
# re-alarm, are not built: people are reminded instead. The kind is the wall controller's own alarm.
WALKS = {
    "AL-017": ("normal", lambda f: f.run(60, alarm=1), "unacknowledged"),
    "AL-018": ("unacknowledged", lambda f: _did(f, "ack"), "acknowledged"),
    "AL-022": ("returned to normal unacknowledged", lambda f: f.run(60, alarm=1), "unacknowledged"),
    "AL-021": ("returned to normal unacknowledged", lambda f: _did(f, "ack"), "normal"),
    "AL-024": ("unacknowledged", lambda f: f.run(300, alarm=0), "latched unacknowledged"),
    "AL-025": ("latched unacknowledged", lambda f: _did(f, "ack"), "latched acknowledged"),
    "AL-026": ("acknowledged", lambda f: f.run(300, alarm=0), "latched acknowledged"),
    "AL-027": ("latched acknowledged", lambda f: _did(f, "release"), "normal"),
    "AL-028": ("latched acknowledged", lambda f: f.run(60, alarm=1), "unacknowledged"),
    "AL-029": (
        "acknowledged",
        lambda f: _did(f, "shelve", until_ms=START_MS + f.t + 600_000, why="on order"),
        "shelved",
    ),
    "AL-030": ("shelved", lambda f: _did(f.run(300, alarm=0), "unshelve"), "normal"),
    "AL-031": ("shelved", lambda f: f.run(1860, alarm=1), "unacknowledged"),
    "AL-035": ("unacknowledged", lambda f: _aside(f), "out of service"),
    "AL-036": ("out of service", lambda f: f.run(1860, alarm=1), "unacknowledged"),
    "AL-037": ("out of service", lambda f: f.run(1860, alarm=0), "normal"),
}


@pytest.mark.parametrize("row", WALKS)
def test_the_published_diagram_holds_in_the_engine(row: str) -> None:
    before, happens, after = WALKS[row]
    p = plant(boiler(more=WATER)) if before == "returned to normal unacknowledged" else PLANT
    feed = STATES[before](Feed(p).run(60))
    assert feed.alarm_state("controller_alarm") == before
    happens(feed)
    assert feed.alarm_state("controller_alarm") == after


# AL-019, AL-020 for an alarm that does not latch; AL-032 to AL-034 for one that is held back while the boiler is off
def test_the_published_diagram_without_latching_and_with_a_rest() -> None:
    feed = Feed(plant(boiler(more=WATER))).run(60).run(60, alarm=1).run(300, alarm=0)
    assert feed.alarm_state("controller_alarm") == "returned to normal unacknowledged"  # AL-020
    feed = _did(Feed(plant(boiler(more=WATER))).run(60).run(60, alarm=1), "ack").run(300, alarm=0)
    assert feed.alarm_state("controller_alarm") == "normal"  # AL-019
    rest = plant(boiler(more=WATER))
    for cond, after in ((3600, "unacknowledged"), (2800, "normal")):  # AL-033, AL-034
        feed = Feed(rest).run(900, cond=3600).run(300, limit=0)
        assert feed.alarm_state("conductivity_high") == "suppressed by design"  # AL-032
        feed.run(3000, limit=1, cond=cond)
        assert feed.alarm_state("conductivity_high") == after


# OPC 10000-9, example B.1.5: AL-014 (the whole on-delay), AL-015 (a brief return is no return)
def test_delays_are_kept_by_the_engine() -> None:
    feed = Feed(plant(boiler(more=WATER), '[alarms.controller_alarm]\non_delay = "60 s"\noff_delay = "60 s"\n'))
    feed.run(60).run(50, alarm=1).run(10, alarm=0).run(60, alarm=1)
    assert feed.alarm_state("controller_alarm") == "normal"  # never on for the whole of it
    feed.run(10)
    assert feed.alarm_state("controller_alarm") == "unacknowledged"
    feed.run(50, alarm=0).run(10, alarm=1).run(60, alarm=0)
    assert feed.alarm_state("controller_alarm") == "unacknowledged"
    feed.run(10)
    assert feed.alarm_state("controller_alarm") == "returned to normal unacknowledged"
