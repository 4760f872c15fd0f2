"""Consequences are journalled with their cause named and are no mail of their own; what outlasts its cause is told."""

from __future__ import annotations

import pytest

from daemon.alarms.folding import FOLLOWS_SILENCE, causes
from daemon.alarms.kinds import KINDS
from daemon.core.reasons import Reason
from daemon.engine import dump, restore
from tests.support.feed import WATER, Feed, boiler, plant, same

LOCKOUT = 'lockout = { contact = "m.opened", closed_means = "lockout" }\n'
PLANT = plant(boiler("continuous", more=WATER))
LOCKED = plant(boiler("continuous", more=WATER + LOCKOUT))


def mails(feed: Feed, event: str = "raised") -> list[str]:
    return [n.kind for n in feed.notices if n.event == event]


@pytest.mark.parametrize("first", ["low", "limit"])
def test_low_water_and_the_interlock_are_one_mail_and_low_water_is_its_cause(first: str) -> None:
    feed = Feed(PLANT).run(300)
    one, other = ({"low": 1}, {"limit": 0}) if first == "low" else ({"limit": 0}, {"low": 1})
    feed.run(20, **one).run(120, **other)
    assert mails(feed) == ["low_water"]
    raised = feed.last("interlock_open")
    number = feed.last("low_water").occurrence
    assert raised.event == "raised"
    assert f"follows from alarm {number}, LOW WATER, which came first" in raised.evidence
    assert next(n for n in feed.notices if n.kind == "low_water").held_back == ("Boiler interlock open",)


def test_what_outlasts_its_cause_is_told_then() -> None:
    feed = Feed(PLANT).run(300).run(200, low=1, limit=0)
    assert mails(feed) == ["low_water"]
    feed.run(300, low=0)
    assert mails(feed) == ["low_water", "interlock_open"]
    number = feed.last("low_water").occurrence
    assert f"alarm {number}" in next(n for n in feed.notices if n.kind == "interlock_open").evidence
    feed.run(300, limit=1)
    assert mails(feed, "returned") == ["low_water", "interlock_open"]


def test_what_ends_with_its_cause_is_never_mailed() -> None:
    feed = Feed(PLANT).run(300).run(200, low=1, limit=0).run(600, low=0, limit=1)
    assert mails(feed) == mails(feed, "returned") == ["low_water"]
    assert [e.event for e in feed.entries if e.kind == "interlock_open"] == ["raised", "returned"]


def test_one_that_somebody_confirmed_meanwhile_is_known() -> None:
    feed = Feed(PLANT).run(300).run(200, low=1, limit=0)
    assert feed.act("ack", occurrence=feed.last("interlock_open").occurrence) == ""
    feed.run(600, low=0)
    assert mails(feed) == ["low_water"]


def test_a_lockout_is_the_cause_of_the_interlock_it_opens() -> None:
    feed = Feed(LOCKED).run(300).run(200, opened=1, limit=0)
    assert mails(feed) == ["lockout"]
    assert "Burner lockout" in feed.last("interlock_open").evidence
    feed.run(600, opened=0)
    assert mails(feed) == ["lockout", "interlock_open"]


def test_an_interlock_that_opened_long_before_is_an_alarm_of_its_own() -> None:
    feed = Feed(PLANT).run(300).run(300, limit=0).run(60, low=1)
    assert mails(feed) == ["interlock_open", "low_water"]


def test_low_water_follows_from_nothing_and_a_lag_boilers_lockout_still_tells() -> None:
    p = plant(boiler("continuous", more=WATER + LOCKOUT, duty="lag"))
    feed = Feed(p).run(300).run(600, limit=0)
    assert mails(feed) == []
    feed.run(60, opened=1)
    feed.run(60, low=1)
    assert mails(feed) == ["lockout", "low_water"]
    for q in (PLANT, LOCKED, p):
        programme = Feed(q).state.programme
        for alarm, found in zip(programme.alarms, causes(programme.alarms, programme.wiring), strict=True):
            assert not (alarm.never_hidden and found), alarm.kind


SILENT = plant(boiler("continuous", more=WATER), '[alarms.no_representative_sample]\non_delay = "0 s"\n')


def test_a_silent_module_is_told_once_and_what_misses_its_readings_is_part_of_it() -> None:
    feed = Feed(SILENT).run(600)
    feed.run(10_000, silent=int(Reason.NO_ANSWER))
    assert mails(feed) == ["module_silent"]
    missing = feed.last("no_representative_sample")
    assert missing.event == "raised"
    assert "m: Module" in missing.evidence
    assert "B1: No representative sample" in next(n for n in feed.notices if n.kind == "module_silent").held_back


def test_the_same_with_a_restart_in_the_middle() -> None:
    feed = Feed(PLANT).run(300).run(200, low=1, limit=0)
    other = Feed(PLANT)
    other.state, other.t, other.number, other.now = restore(PLANT, dump(feed.state)), feed.t, feed.number, feed.now
    for log in (feed, other):
        log.run(300, low=0)
    assert mails(other) == ["interlock_open"]
    assert same(other.state, feed.state)


def test_every_kind_that_may_follow_is_a_kind() -> None:
    assert set(KINDS) >= FOLLOWS_SILENCE
    assert not any(KINDS[k].never_hidden for k in FOLLOWS_SILENCE)
