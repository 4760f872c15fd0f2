"""The step is pure, and its outcome does not depend on how a recording is cut."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.scan import Act, Group
from daemon.engine import State, carry, dump, restore, start, step
from tests.support.feed import WATER, Feed, boiler, plant, same
from tests.support.recordings import creamery, groups

PLANT = plant(boiler("timed", more=WATER))


def whole(hours: float = 3.5) -> tuple[State, tuple[object, ...]]:
    return step(start(creamery().plant, 1), groups(hours))


@given(st.lists(st.integers(0, len(groups(3.5))), max_size=12))
@settings(max_examples=12)
def test_a_recording_of_the_creamery_may_be_cut_anywhere(cuts: list[int]) -> None:
    recording = groups(3.5)
    state, outcomes = start(creamery().plant, 1), []
    for a, b in pairwise([0, *sorted(cuts), len(recording)]):
        state, out = step(state, recording[a:b])
        outcomes += out
    want, wanted = whole()
    assert tuple(outcomes) == wanted
    assert same(state, want)
    assert any(o.journal for o in outcomes)  # type: ignore[attr-defined]


@given(st.integers(0, len(groups(3.5))))
@settings(max_examples=8)
def test_a_snapshot_anywhere_changes_nothing(at: int) -> None:
    recording = groups(3.5)
    state, first = step(start(creamery().plant, 1), recording[:at])
    back = restore(creamery().plant, dump(state))
    assert same(back, state)
    state, second = step(back, recording[at:])
    want, wanted = whole()
    assert (*first, *second) == wanted
    assert same(state, want)


def test_a_step_never_changes_the_state_it_is_given() -> None:
    state = start(creamery().plant, 1)
    for group in groups(3.5)[:400:7]:
        before = dump(state)
        after, _ = step(state, [group])
        assert dump(state) == before
        state = after


def test_the_order_of_scans_changes_no_result() -> None:
    a = b = start(creamery().plant, 1)
    for group in groups(3.5)[:900]:
        a, (out_a,) = step(a, [group])
        b, (out_b,) = step(b, [replace(group, scans=group.scans[::-1])])
        assert out_a.journal == out_b.journal
        assert out_a.verdicts == out_b.verdicts[::-1]
    assert same(a, b)


SIGNALS = st.fixed_dictionaries(
    {
        "cond": st.one_of(st.none(), st.floats(0, 5000)),
        "ma": st.one_of(st.none(), st.floats(0, 24)),
        "blow": st.one_of(st.none(), st.integers(0, 1)),
        "limit": st.one_of(st.none(), st.integers(0, 1)),
        "low": st.integers(0, 1),
        "pulses": st.one_of(st.none(), st.integers(0, 65535)),
    }
)


@given(st.lists(st.tuples(SIGNALS, st.integers(1, 400)), max_size=25), st.integers(1, 7))
@settings(max_examples=60)
def test_no_signals_whatever_break_the_step_or_its_blocks(log: list[tuple[dict[str, object], int]], size: int) -> None:
    feed = Feed(PLANT)
    for signals, times in log:
        feed.run(10 * times, **signals)
    state, outcomes = start(PLANT, 1), []
    for i in range(0, len(feed.groups), size * 50):
        state, out = step(state, feed.groups[i : i + size * 50])
        outcomes += out
    assert [e for o in outcomes for e in o.journal] == feed.entries
    assert same(state, feed.state)
    assert same(restore(PLANT, dump(state)), state)


def test_occurrences_count_raises_and_notices_have_keys_of_their_own() -> None:
    _, outcomes = step(start(creamery().plant, 1), groups(3.5))
    raised = [e.occurrence for o in outcomes for e in o.journal if e.event == "raised"]
    assert raised == list(range(1, len(raised) + 1))
    keys = [n.key for o in outcomes for n in o.notices]
    assert len(keys) == len(set(keys)) > 5


def test_an_empty_group_moves_time_on() -> None:
    feed = Feed(PLANT)
    feed.run(60, cond=2900)
    empty = Group(feed.number + 1, feed.groups[-1].at_ms + 10_000, feed.t + 10_000, 1, 1, ())
    state, (outcome,) = step(feed.state, [empty])
    assert outcome.verdicts == ()
    assert state.cells.senses.t == feed.t + 10_000


# ------------------------------------------------------------------ acts and facts


def test_acknowledging_names_the_person_and_what_cannot_be_done() -> None:
    feed = Feed(plant(boiler("continuous", more=WATER)))
    feed.run(60)
    feed.run(20, low=1)
    number = feed.last("low_water").occurrence
    assert feed.act("ack", by="J. Ortiz", occurrence=number) == ""
    entry = feed.last("low_water")
    assert (entry.event, entry.state, entry.by) == ("acknowledged", "acknowledged", "J. Ortiz")
    assert "nothing to confirm" in feed.act("ack", occurrence=number)
    assert "no alarm 999 stands" in feed.act("ack", occurrence=999)
    assert "does not know the act" in feed.act("paint")
    assert feed.act("note", text="cleaned strainer", target="B1") == ""
    assert feed.entries[-1].evidence == "cleaned strainer"
    feed.run(90, low=0)
    assert feed.alarm_state("low_water") == "normal"
    assert feed.notices[-1].by == "J. Ortiz"  # the return says who had confirmed


def test_what_the_service_reports_of_itself_is_an_alarm_like_any_other() -> None:
    feed = Feed(PLANT)
    feed.act("service", kind="logger_disk", active=True, evidence="480 MB free", value=480.0, limit=500.0)
    assert feed.log() == ["logger_disk raised"]
    assert (feed.last("logger_disk").value, feed.last("logger_disk").evidence) == (480.0, "480 MB free")
    feed.act("service", kind="logger_disk", active=False)
    assert feed.log() == ["logger_disk returned"]
    feed.act("service", kind="logger_store", active=True, once=True, evidence="for 3 min")
    feed.poll()
    assert feed.log() == ["logger_store raised", "logger_store returned"]
    assert feed.act("service", kind="logger_coffee", active=True) != ""


def test_a_gap_is_told_once_and_a_short_one_only_noted() -> None:
    feed = Feed(PLANT)
    feed.run(60)
    feed.poll(gap_ms=40_000)
    assert feed.log() == ["logger_gap note"]
    feed.poll(gap_ms=600_000)
    feed.run(60)
    assert feed.log() == ["logger_gap raised", "logger_gap returned"]
    assert [n.event for n in feed.notices] == ["raised"]
    assert "not watching for 10 min" in feed.notices[0].evidence


# ------------------------------------------------------------------ carried over to a changed plant file


def test_the_same_alarm_goes_on_under_a_changed_limit() -> None:
    old = plant(boiler("continuous"))
    feed = Feed(old)
    feed.run(1200, cond=3400)
    assert feed.log() == ["conductivity_high raised"]
    text = boiler("continuous").replace('set_point = "3000 uS/cm"', 'set_point = "3000 uS/cm", high = "3600 uS/cm"')
    new = plant(text)
    feed.state, removed, rows = carry(feed.state, new, 2, feed.groups[-1].at_ms)
    assert removed == () and rows == ()
    feed.plant = new
    assert feed.alarm_state("conductivity_high") == "unacknowledged"
    feed.run(300)
    assert feed.log() == ["conductivity_high returned"]


def test_an_alarm_that_is_gone_is_journalled_as_removed_and_meters_keep_their_pulses() -> None:
    meter = (
        '[[meter]]\nname = "makeup"\nchannel = "m.pulses"\nmeasures = "makeup"\npulse = "100 L"\nmax_rate = "20 m3/h"\n'
    )
    meter += 'serves = ["B1"]\n'
    feed = Feed(plant(boiler("continuous", more=WATER), meter))
    feed.run(60)
    feed.run(60, low=1, pulses=1)
    new = plant(boiler("continuous"), meter)
    state, removed, rows = carry(feed.state, new, 2, 77)
    assert [(e.kind, e.event, e.at_ms) for e in removed] == [("low_water", "removed", 77)]
    assert [(r.kind, r.state) for r in rows] == [("low_water", "normal")]
    assert state.cells.senses.counters[0].total == feed.state.cells.senses.counters[0].total == 1
    assert state.version == 2


def test_a_changed_range_starts_the_filters_anew_but_keeps_the_alarm() -> None:
    feed = Feed(plant(boiler("continuous")))
    feed.run(1200, cond=3400)
    new = plant(boiler("continuous").replace("0..5000 uS/cm", "0..6000 uS/cm"))
    state, removed, _ = carry(feed.state, new, 2, 0)
    assert removed == ()
    assert state.cells.senses.boilers[0].sampler.value is None
    feed.state, feed.plant = state, new
    assert feed.alarm_state("conductivity_high") == "unacknowledged"


def test_an_act_is_in_the_outcome_of_the_group_that_carried_it() -> None:
    feed = Feed(PLANT)
    outcome = feed.poll(acts=(Act(17, "note", "Kim", 0, {"text": "seen"}),))
    assert outcome.acts == ((17, ""),)


def test_time_nobody_watched_is_no_time_of_anything() -> None:
    hours = 3 * 3_600_000
    meter = (
        '[[meter]]\nname = "makeup"\nchannel = "m.pulses"\nmeasures = "makeup"\npulse = "100 L"\nmax_rate = "20 m3/h"\n'
    )
    feed = Feed(plant(boiler("continuous", more=WATER), meter + 'serves = ["B1"]\n'))
    feed.run(600, cond=2900)
    feed.run(60, cond=2900, blow=1)
    feed.poll(cond=3310)  # above the limit for one poll
    feed.t += hours
    feed.poll(gap_ms=hours + 10_000, pulses=40)
    assert feed.log() == ["logger_gap raised"]  # neither high by its delay, nor a blow over its time, nor no sample
    feed.run(60, cond=2900)
    assert feed.log() == ["logger_gap returned"]
    assert feed.state.cells.senses.counters[0].total == 40  # what passed through a meter passed
    feed.run(40, cond=None)
    feed.t += hours
    feed.poll(gap_ms=hours + 10_000)
    assert "no_representative_sample raised" not in feed.log()


def test_a_probe_that_is_never_sampled_has_no_limits_and_no_missing_sample() -> None:
    feed = Feed(plant(boiler("none")))
    kinds = {a.kind for a in feed.state.programme.alarms if a.target == "B1"}
    assert not kinds & {"conductivity_high", "conductivity_very_high", "conductivity_low", "no_representative_sample"}
    assert "probe_loop_fault" in kinds
    feed.run(7200, cond=4900)
    assert feed.log() == []
