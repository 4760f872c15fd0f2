"""Tests of the low-water cut-off: what is journalled as a test, what is low water at once, what is of highest priority.

When in doubt it is low water: the tables below are common practice, no source.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.findings import PlantFileError
from config.load import loads
from daemon.engine import carry, dump, restore
from daemon.measure.cutoff import MOST, Window
from tests.support.feed import HEAD, START_MS, Feed, boiler, plant, same
from tests.support.wording import forbidden

LEVELS = 'low_water = { contact = "m.low", closed_means = "low" }\n'
BURNER = 'burner = { contact = "m.alarm", closed_means = "firing" }\n'
# START_MS is 19:26:40 on Wed 2026-09-09 in the plant's zone
ANY_TIME = 'cutoff_test = [{ window = "18:00..23:00", longest = "60 s" }]\n'
ELSEWHEN = 'cutoff_test = [{ window = "05:30..06:30" }]\n'
TESTED = plant(boiler(more=LEVELS + BURNER + ANY_TIME))
UNTESTED = plant(boiler(more=LEVELS + BURNER + ELSEWHEN))


def fired(p: object = TESTED) -> Feed:
    return Feed(p, every_s=2.0).run(120, alarm=1)  # type: ignore[arg-type]


def seen(feed: Feed) -> str:
    return feed.last("cutoff_test").evidence


def test_the_clock_of_these_logs() -> None:
    at = datetime.fromtimestamp(START_MS / 1000, UTC).astimezone(ZoneInfo("America/Chicago"))
    assert (at.hour, at.minute, at.weekday()) == (19, 26, 2)


def test_a_short_contact_that_stops_the_burner_is_a_test() -> None:
    feed = fired().run(4, low=1).run(16, alarm=0, limit=0).run(120, low=0, limit=1).run(60, alarm=1)
    assert seen(feed) == "cut-off test: burner stopped after 4 s; the contact was on for 20 s"
    assert {"low_water", "interlock_open", "cutoff_test_failed"}.isdisjoint(e.kind for e in feed.entries)
    assert feed.notices == []


def test_the_limit_circuit_that_a_test_opens_is_no_alarm_and_one_that_stays_open_is() -> None:
    feed = fired().run(50, low=1, alarm=0, limit=0).run(20, low=0, limit=1)
    assert feed.log() == ["cutoff_test note"]
    feed = fired().run(50, low=1, alarm=0, limit=0).run(40, low=0)
    assert feed.log() == ["cutoff_test note", "interlock_open raised"]
    assert [n.kind for n in feed.notices] == ["interlock_open"]


def test_both_in_one_poll_stop_after_nothing() -> None:
    feed = fired().run(20, low=1, alarm=0).run(20, low=0)
    assert "burner stopped after 0 s" in seen(feed)


def test_a_burner_that_fires_on_is_of_highest_priority_at_once_and_the_water_is_low() -> None:
    feed = fired().run(14, low=1)
    raised = {e.kind: e for e in feed.entries if e.event == "raised"}
    assert set(raised) == {"low_water", "cutoff_test_failed"}
    assert {e.priority for e in raised.values()} == {"highest"}
    assert "the burner is firing" in raised["cutoff_test_failed"].evidence
    assert {n.kind for n in feed.notices} == set(raised)
    feed.run(20, alarm=0).run(120, low=0)
    assert seen(feed).startswith("low water contact in the hours of cut-off tests, taken as low water: the burner went")
    assert feed.alarm_state("cutoff_test_failed") == "latched unacknowledged"
    assert feed.state.cells.senses.boilers[0].cutoff.proven_at == 0


def test_a_burner_that_was_not_firing_proves_nothing() -> None:
    feed = Feed(TESTED, every_s=2.0).run(300, alarm=0).run(20, low=1).run(60, low=0)
    assert seen(feed) == "cut-off test: not proven, the burner was not firing; the contact was on for 20 s"
    assert "low_water raised" not in feed.log()


@pytest.mark.parametrize("p", [TESTED, UNTESTED])
def test_a_contact_that_lasts_longer_is_low_water_window_or_not(p: object) -> None:
    feed = fired(p).run(62, low=1, alarm=0)
    assert feed.last("low_water").event == "raised"
    assert feed.last("low_water").priority == "highest"
    assert [n.kind for n in feed.notices] == ["low_water"]


def test_a_test_that_nobody_announced_is_low_water_and_is_mailed() -> None:
    feed = fired(UNTESTED).run(20, low=1, alarm=0).run(120, low=0)
    assert [(n.kind, n.event) for n in feed.notices] == [("low_water", "raised"), ("low_water", "returned")]
    assert seen(feed).startswith("low water contact outside of a declared cut-off test: burner stopped after 0 s")


@pytest.mark.parametrize(
    "doubt",
    [{"alarm": None}, {"low": None}],
    ids=["the burner cannot be read", "the contact cannot be read any more"],
)
def test_what_cannot_be_read_is_in_doubt_and_low_water(doubt: dict[str, object]) -> None:
    feed = fired().run(4, low=1, alarm=0).run(10, **doubt)
    assert feed.last("low_water").event == "raised"
    assert [n.kind for n in feed.notices] == ["low_water"]


def test_doubt_lasts_as_long_as_the_contact() -> None:
    feed = fired().run(4, low=1, alarm=0).run(4, alarm=None).run(10, alarm=0)
    assert "low_water raised" in feed.log()


def test_a_gap_in_which_nobody_looked_and_a_start_with_the_contact_on_are_low_water() -> None:
    feed = fired().run(4, low=1, alarm=0)
    feed.poll(gap_ms=2000)
    feed.run(8)
    assert "low_water raised" in feed.log()
    assert "low_water raised" in Feed(TESTED, every_s=2.0).run(10, low=1, alarm=0).log()


def test_a_limit_circuit_that_stays_closed_is_in_doubt_and_one_that_opens_is_no_proof() -> None:
    p = plant(boiler(more=LEVELS + ANY_TIME))
    feed = Feed(p, every_s=2.0).run(120).run(20, low=1)
    assert "low_water raised" in feed.log()
    feed = Feed(p, every_s=2.0).run(120).run(20, low=1, limit=0).run(60, low=0, limit=1)
    assert "limit circuit opened after 0 s, no burner contact is wired" in seen(feed)
    assert feed.log() == ["cutoff_test note"]
    assert feed.state.cells.senses.boilers[0].cutoff.proven_at == 0


def test_a_contact_that_comes_again_and_again_is_no_test() -> None:
    feed = fired()
    for _ in range(MOST):
        feed.run(20, low=1, alarm=0).run(100, low=0, alarm=1)
    assert set(feed.log()) == {"cutoff_test note"}
    feed.run(20, low=1, alarm=0)
    assert "low_water raised" in feed.log()


def test_without_a_contact_of_the_burner_or_the_limits_everything_is_low_water() -> None:
    feed = Feed(plant(boiler(interlock="", more=LEVELS + ANY_TIME)), every_s=2.0).run(120).run(10, low=1)
    assert "low_water raised" in feed.log()


def test_low_water_with_the_burner_on_is_told_of_any_boiler_whose_burner_is_wired() -> None:
    feed = fired(plant(boiler(more=LEVELS + BURNER))).run(14, low=1)
    assert {"low_water raised", "cutoff_test_failed raised"} <= set(feed.log())
    assert not any(e.kind == "cutoff_test" for e in feed.entries)


def test_no_test_seen_for_longer_than_agreed() -> None:
    p = plant(boiler(more=LEVELS + BURNER + ANY_TIME + 'cutoff_test_every = "1 d"\n'))
    feed = Feed(p, every_s=10.0).run(600, alarm=1).run(20, low=1, alarm=0).run(60, low=0).run(86_000, alarm=1)
    assert feed.alarm_state("cutoff_test_not_seen") == "normal"
    feed.run(6000)
    raised = feed.last("cutoff_test_not_seen")
    assert raised.event == "raised"
    assert raised.evidence.startswith(
        "last test at which the burner was seen going out: 25 h 01 min ago; agreed: every 24 h 00 min"
    )
    feed.run(20, low=1, alarm=0).run(120, low=0)
    assert feed.last("cutoff_test_not_seen").event == "returned"


def test_a_restart_in_the_middle_of_a_test_goes_on_with_it() -> None:
    feed = fired().run(10, low=1, alarm=0)
    other = Feed(TESTED, every_s=2.0)
    other.state, other.t, other.number, other.now = restore(TESTED, dump(feed.state)), feed.t, feed.number, feed.now
    for log in (feed, other):
        log.run(10, low=1).run(30, low=0)
    assert same(feed.state, other.state)
    assert seen(other) == seen(feed)


@pytest.mark.parametrize(
    ("window", "at", "holds"),
    [
        (Window(330, 390, 60_000, tuple(range(7))), "2026-09-09T05:30", True),
        (Window(330, 390, 60_000, tuple(range(7))), "2026-09-09T06:30", False),
        (Window(330, 390, 60_000, (0,)), "2026-09-09T05:40", False),
        (Window(1410, 30, 60_000, (2,)), "2026-09-09T23:45", True),
        (Window(1410, 30, 60_000, (2,)), "2026-09-10T00:15", True),
        (Window(1410, 30, 60_000, (2,)), "2026-09-09T00:15", False),
        (Window(1410, 30, 60_000, (2,)), "2026-09-10T00:30", False),
    ],
)
def test_windows_over_midnight_belong_to_the_day_they_begin(window: Window, at: str, holds: bool) -> None:
    assert window.holds(datetime.fromisoformat(at)) is holds


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('cutoff_test = [{ window = "05:30..06:30", longest = "5 min" }]\n', "wants 180 s at most; found 300 s"),
        ('cutoff_test = [{ window = "05:30..06:30", days = ["Someday"] }]\n', "days"),
        ('cutoff_test = [{ window = "05:30..06:30", days = [] }]\n', "days"),
        ('cutoff_test_every = "10 min"\n', 'wants "1 h" to "366 d"'),
    ],
)
def test_errors_in_the_plant_file(more: str, said: str) -> None:
    with pytest.raises(PlantFileError, match=said):
        loads(HEAD + boiler(more=LEVELS + BURNER + more))


def test_a_promise_that_only_a_burner_keeps_wants_one() -> None:
    with pytest.raises(PlantFileError, match="wants a burner contact of B1"):
        loads(HEAD + boiler(more=LEVELS + 'cutoff_test_every = "1 d"\n'))


def test_what_is_said_of_tests_tells_nobody_to_do_anything() -> None:
    logs = [
        fired().run(20, low=1, alarm=0).run(60, low=0),
        fired().run(40, low=1).run(20, alarm=0).run(120, low=0),
        Feed(TESTED, every_s=2.0).run(300, alarm=0).run(20, low=1).run(60, low=0),
        fired(UNTESTED).run(20, low=1, alarm=0).run(120, low=0),
    ]
    texts = [e.evidence for feed in logs for e in feed.entries]
    assert len(texts) > 6
    assert not [(text, found) for text in texts if (found := forbidden(text))]


SIGNALS = st.tuples(
    st.sampled_from([0, 1, 1, 1, None]),  # the low water contact
    st.sampled_from([0, 0, 1, None]),  # the burner
    st.integers(1, 12),  # polls
)


@settings(max_examples=150, deadline=None)
@given(st.lists(SIGNALS, min_size=1, max_size=12))
def test_whatever_the_contacts_do_low_water_is_never_kept_back_longer_than_said(
    log: list[tuple[Any, Any, int]],
) -> None:
    """By the words of the rule alone: too long, in doubt, or with the burner on, and it stands in that very poll."""
    feed = Feed(TESTED, every_s=2.0).run(60, alarm=0)
    since, doubt = -1, False  # of the low water contact; of anything about it
    last_burner, last_low = 0, 0
    for low, burner, polls in log:
        for _ in range(polls):
            feed.poll(low=low, alarm=burner)
            last_burner = last_burner if burner is None else burner
            if low is not None:
                last_low = low
            if not last_low:
                since, doubt = -1, False
                continue
            since = feed.t if since < 0 else since
            lasted = (feed.t - since) / 1000
            doubt |= low is None or burner is None or (last_burner == 1 and lasted >= 10)
            if lasted >= 60 or (doubt and lasted >= 5):
                assert feed.alarm_state("low_water") in ("unacknowledged", "acknowledged")
            if burner == 1 and lasted >= 10:
                assert feed.alarm_state("cutoff_test_failed") == "unacknowledged"
    told = [n for n in feed.notices if n.kind == "low_water" and n.event == "raised"]
    assert len(told) == len([e for e in feed.entries if e.kind == "low_water" and e.event == "raised"])


def test_a_change_of_the_plant_file_in_the_middle_of_a_test() -> None:
    feed = fired().run(10, low=1, alarm=0)
    feed.state, _, _ = carry(feed.state, TESTED, 2, START_MS + feed.t)
    feed.run(10).run(60, low=0)
    assert seen(feed).startswith("cut-off test: burner stopped after")
    feed = fired().run(10, low=1, alarm=0)
    feed.plant = plant(boiler(more=LEVELS.replace("m.low", "m.opened") + BURNER + ANY_TIME))
    feed.state, _, _ = carry(feed.state, feed.plant, 2, START_MS + feed.t)  # the contact is wired elsewhere now
    feed.run(20, opened=1)
    assert feed.alarm_state("low_water") == "unacknowledged"
