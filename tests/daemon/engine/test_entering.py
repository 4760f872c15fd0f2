"""Results of tests done by hand: entered, judged by day, withdrawn, kept through everything."""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.outcome import ManualReading
from daemon.core.scan import Act
from daemon.engine import carry, dump, restore, start, step
from daemon.measure.manual import KEPT, Result, latest
from tests.support.feed import START_MS, Feed, boiler, plant, same

HOUR = 3600.0
TESTS = """
[[test]]
target = "B1"
what = "hardness"
high = "2 ppm"
every = "1 d"
[[test]]
target = "B1"
what = "ph"
low = 10.5
high = 12
[[test]]
target = "condensate"
what = "ph"
low = 7.5
high = 9
every = "7 d"
grace = "2 h"
"""
PLANT = plant(boiler(), TESTS)
# the feed starts on Wednesday 2026-09-09 at 19:26:40 of the plant's clock: night
TO_MORNING = 11 * HOUR + 33 * 60 + 20


def entered(feed: Feed, target: str, what: str, value: float, unit: str = "", **body: object) -> str:
    return feed.act("enter", target=target, what=what, value=value, unit=unit, **body)


def records(feed: Feed) -> list[ManualReading]:
    """Every record of the groups so far, worked out again from the start."""
    _, outcomes = step(start(feed.plant, 1), feed.groups)
    return [m for o in outcomes for m in o.manual]


def test_a_result_is_a_record_with_person_method_and_the_time_it_was_taken() -> None:
    feed = Feed(PLANT)
    feed.run(120)
    taken = START_MS + 30_000
    assert entered(feed, "B1", "hardness", 1, "gpg", taken_ms=taken, method="drop test", note="second flask") == ""
    (record,) = records(feed)
    assert record == ManualReading("B1", "hardness", taken, 1.0, "gpg", "by drop test; second flask", feed.number)
    result = latest(feed.state.cells.senses.results, "B1", "hardness")
    assert result == Result("B1", "hardness", taken, feed.number, 17.118061, "Kim")
    note = feed.last("test_result")
    assert (note.by, note.target) == ("Kim", "B1")
    assert "total hardness 17.12 mg/L as CaCO3; by drop test" in note.evidence


def test_out_of_range_is_told_by_day_and_never_by_night() -> None:
    feed = Feed(PLANT)
    feed.run(60)
    assert entered(feed, "B1", "hardness", 12, "ppm") == ""
    feed.run(TO_MORNING - 200)
    assert feed.alarm_state("test_out_of_range") == "normal"
    assert feed.notices == []
    feed.run(400)
    entry = feed.last("test_out_of_range")
    assert (entry.event, entry.name, entry.value, entry.limit) == ("raised", "hardness", 12, 2)
    assert entry.evidence.startswith(
        "total hardness 12 mg/L as CaCO3, above the control range of at most 2 mg/L as CaCO3"
    )
    assert [n.kind for n in feed.notices] == ["test_out_of_range"]
    feed.run(13 * HOUR)  # evening
    entered(feed, "B1", "hardness", 1, "ppm")
    feed.run(300)
    assert feed.last("test_out_of_range").event == "raised"
    feed.run(12 * HOUR)
    assert feed.last("test_out_of_range").event == "returned"


def test_by_day_it_is_told_at_once_in_both_directions() -> None:
    feed = Feed(PLANT).run(TO_MORNING + 600)
    entered(feed, "B1", "ph", 9.9)
    entry = feed.last("test_out_of_range")
    assert (entry.name, entry.limit, entry.unit) == ("ph", 10.5, "pH")
    assert "pH 9.9, below the control range of pH 10.5 to pH 12" in entry.evidence
    entered(feed, "B1", "ph", 11.2)
    assert feed.last("test_out_of_range").event == "returned"
    entered(feed, "B1", "ph", 12.5)
    assert "above" in feed.last("test_out_of_range").evidence


def test_an_older_result_entered_late_is_kept_and_not_in_force() -> None:
    feed = Feed(PLANT).run(TO_MORNING + 600)
    entered(feed, "B1", "ph", 11.2)
    entered(feed, "B1", "ph", 9.9, taken_ms=START_MS)
    assert feed.log() == ["test_result note", "test_result note"]
    assert len(records(feed)) == 2


def test_overdue_counts_from_the_last_result_and_waits_for_the_day() -> None:
    feed = Feed(PLANT, 60)
    feed.run(2 * HOUR)
    entered(feed, "B1", "hardness", 1, "ppm")  # Wednesday 21:26; due Thursday 21:26, told 6 h later: by night
    feed.run(33 * HOUR)
    assert feed.alarm_state("test_overdue") == "normal"
    feed.run(2 * HOUR)
    entry = feed.last("test_overdue")
    assert (entry.event, entry.priority, entry.limit) == ("raised", "low", 86400)
    assert "total hardness: last result by Kim 33 h" in entry.evidence
    entered(feed, "B1", "hardness", 1, "ppm")
    assert feed.last("test_overdue").event == "returned"


def test_never_done_counts_from_when_it_was_first_asked_for() -> None:
    feed = Feed(PLANT, 60)
    feed.run(36 * HOUR)
    entry = feed.last("test_overdue")
    assert entry.target == "B1"
    assert "no result since it was first asked for" in entry.evidence


def test_a_boiler_that_is_off_owes_no_test_and_has_time_when_it_steams_again() -> None:
    feed = Feed(PLANT, 60)
    feed.run(30 * HOUR, limit=0)
    feed.run(6 * HOUR)
    assert not [e for e in feed.entries if e.kind == "test_overdue"]
    feed.run(2 * HOUR, limit=1)
    assert not [e for e in feed.entries if e.kind == "test_overdue"]
    feed.run(3 * HOUR)
    assert feed.last("test_overdue").event == "raised"
    feed.run(HOUR, limit=0)
    assert feed.last("test_overdue").event == "returned"


def test_a_failed_test_of_a_safety_device_keeps_no_hours() -> None:
    feed = Feed(PLANT).run(60)
    assert entered(feed, "B1", "cutoff_test", 0) == ""
    entry = feed.last("safety_test_failed")
    assert (entry.event, entry.priority, entry.name) == ("raised", "high", "cutoff_test")
    assert [n.kind for n in feed.notices] == ["safety_test_failed"]
    entered(feed, "B1", "cutoff_test", 1)
    assert feed.last("safety_test_failed").event == "returned"


def test_a_result_is_withdrawn_by_another_record_and_the_one_before_is_in_force() -> None:
    feed = Feed(PLANT).run(TO_MORNING + 600)
    entered(feed, "B1", "ph", 11.0)
    entered(feed, "B1", "ph", 1.1)
    wrong = feed.number
    assert feed.alarm_state("test_out_of_range") == "normal"  # of hardness, the first
    assert feed.last("test_out_of_range").name == "ph"
    assert "needs a reason" in feed.act("enter", target="B1", what="ph", withdraws=wrong)
    assert feed.act("enter", by="Lee", target="B1", what="ph", withdraws=wrong, why="typing slip") == ""
    assert feed.last("test_out_of_range").event == "returned"
    result = latest(feed.state.cells.senses.results, "B1", "ph")
    assert result is not None
    assert result.value == 11.0
    withdrawn = records(feed)[-1]
    assert (withdrawn.value, withdrawn.note) == (1.1, f"withdraws act {wrong}: typing slip")
    assert feed.last("test_result").by == "Lee"


def test_a_result_is_replaced_in_one_act() -> None:
    feed = Feed(PLANT).run(60)
    entered(feed, "B1", "hardness", 10, "ppm")
    entered(feed, "B1", "hardness", 1, "ppm", withdraws=feed.number, why="read the wrong row")
    assert [(m.value, m.note[:12]) for m in records(feed)] == [(10, ""), (10, "withdraws ac"), (1, "")]
    result = latest(feed.state.cells.senses.results, "B1", "hardness")
    assert result is not None
    assert result.value == 1


def test_a_refused_replacement_withdraws_nothing() -> None:
    feed = Feed(PLANT).run(60)
    entered(feed, "B1", "hardness", 10, "ppm")
    refused = entered(feed, "B1", "hardness", 1e7, "ppm", withdraws=feed.number, why="slip")
    assert "wants 0 to 5000" in refused
    assert len(records(feed)) == 1


def test_what_is_older_than_kept_is_withdrawn_as_it_was_read_from_the_records() -> None:
    feed = Feed(PLANT).run(60)
    entered(feed, "B1", "hardness", 10, "ppm")
    first = feed.number
    for _ in range(KEPT):
        entered(feed, "B1", "hardness", 1, "ppm")
    was = {"value": 10.0, "unit": "ppm", "taken_ms": 5}
    assert feed.act("enter", target="B1", what="hardness", withdraws=first, why="late", was=was) == ""
    record = records(feed)[-1]
    assert (record.value, record.unit, record.taken_ms) == (10.0, "ppm", 5)


def test_refusals_say_what_was_found_and_what_is_wanted() -> None:
    feed = Feed(PLANT).run(60)
    for body, says in (
        ({"target": "B7", "what": "ph", "value": 7}, 'nothing called "B7" to test; known here: B1'),
        ({"target": "B1", "what": "taste", "value": 7}, 'no test "taste"; known here: hardness'),
        ({"target": "B1", "what": "ph"}, "there is no result"),
        ({"target": "B1", "what": "ph", "value": "7"}, "wants a number"),
        ({"target": "B1", "what": "ph", "value": math.nan}, "finite"),
        ({"target": "B1", "what": "ph", "value": 7, "taken_ms": START_MS + 10**9}, "still to come"),
        ({"target": "B1", "what": "ph", "value": 7, "unit": "ppm"}, "wants a unit"),
        ({"target": "B1", "what": "ph", "withdraws": 10**9, "why": "x"}, "number of its act"),
        ({}, "waterside enter B1 hardness"),
    ):
        assert says in feed.act("enter", **body)
    assert records(feed) == []


def test_results_are_kept_through_snapshot_and_plant_change() -> None:
    feed = Feed(PLANT).run(60)
    entered(feed, "B1", "chloride", 120, "ppm")
    entered(feed, "makeup", "chloride", 6, "ppm")
    back = restore(PLANT, dump(feed.state))
    assert same(back, feed.state)
    moved, _, _ = carry(feed.state, plant(boiler()), 2, START_MS)
    for state in (back, moved):
        result = latest(state.cells.senses.results, "makeup", "chloride")
        assert result is not None
        assert (result.value, result.by) == (6.0, "Kim")


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=6), st.lists(st.integers(), max_size=2),
    st.sampled_from(["B1", "hardness", "ph", "cutoff_test", "makeup", "ppm", START_MS, 1, 10.5]),
    st.dictionaries(st.sampled_from(["value", "taken_ms", "unit"]), st.one_of(st.integers(), st.floats(), st.text())),
)  # fmt: skip
FIELDS = ("target", "what", "value", "unit", "taken_ms", "method", "note", "withdraws", "why", "was")


@given(st.lists(st.dictionaries(st.sampled_from(FIELDS), JUNK), max_size=12))
@settings(max_examples=80)
def test_no_entry_whatever_breaks_the_step(bodies: list[dict[str, object]]) -> None:
    feed = Feed(PLANT)
    for body in bodies:
        number = feed.number + 1
        outcome = feed.poll(acts=(Act(number, "enter", "Kim", 0, {"target": "B1", "what": "hardness"} | body),))
        assert outcome.acts[0][0] == number
        assert all(math.isfinite(m.value) for m in outcome.manual)
    assert same(restore(PLANT, dump(feed.state)), feed.state)
