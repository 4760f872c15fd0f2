"""Out of service, drained, work by hand, alarms put aside: each until a time, none of it ever hides low water."""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.alarms.kinds import KINDS
from daemon.alarms.withheld import HAND_WORK, OF_TAG
from daemon.core.reasons import Reason
from daemon.core.scan import Act
from daemon.engine import carry, dump, restore, start, step
from daemon.measure.aside import BLOW_BY_HAND, ON_SITE
from tests.support.feed import START_MS, WATER, Feed, boiler, plant, same

HOUR = 3600.0
BURNER = 'burner = { contact = "m.alarm", closed_means = "firing" }\n'
LEVELS = "\n".join(WATER.splitlines()[:2]) + "\n"
PLANT = plant(boiler(more=WATER))
FIRED = plant(boiler(more=LEVELS + BURNER))


def until(feed: Feed, seconds: float) -> int:
    return START_MS + feed.t + round(seconds * 1000)


def out(feed: Feed, target: str = "B1", seconds: float = HOUR, **body: object) -> str:
    return feed.act("out", target=target, until_ms=until(feed, seconds), why="inspector", **body)


def mails(feed: Feed) -> list[tuple[str, str]]:
    return [(n.kind, n.event) for n in feed.notices]


def test_every_kind_named_is_a_kind_and_low_water_is_never_among_them() -> None:
    named = {k for kinds in (*OF_TAG.values(), *HAND_WORK.values()) for k in kinds}
    assert named <= set(KINDS)
    assert "low_water" not in named
    assert "low_water" not in OF_TAG
    assert not any(KINDS[k].never_hidden for kinds in HAND_WORK.values() for k in kinds)


def test_what_a_low_water_contact_is_read_by_stays_in_service() -> None:
    feed = Feed(PLANT).run(60)
    for target in ("m", "panel"):
        assert "the low water contact of B1 is read by it" in out(feed, target)
    assert "B1" not in {o.target for o in feed.state.cells.senses.outs}
    feed.run(600, silent=1)
    assert ("module_silent", "raised") in mails(feed)
    dry = Feed(plant(boiler())).run(60)  # no such contact there
    assert out(dry, "m") == ""


def test_a_boiler_out_of_service_reads_on_tells_nothing_and_comes_back_by_itself() -> None:
    feed = Feed(PLANT).run(600)
    assert out(feed) == ""
    assert "out of service until Wed 2026-09-09 20:36: inspector" in feed.last("out_of_service").evidence
    outcome = feed.poll(cond=4500, alarm=1)
    assert outcome.verdicts[0][0] == Reason.OUT_OF_SERVICE
    feed.run(1800)
    assert feed.readings[-1][1:] == (feed.readings[-1][1], Reason.OUT_OF_SERVICE)
    assert feed.readings[-1][1] > 4400
    assert feed.alarm_state("conductivity_high") == feed.alarm_state("controller_alarm") == "out of service"
    assert mails(feed) == []
    feed.run(1800)
    assert "back in service: its time is over" in feed.last("out_of_service").evidence
    feed.run(1800)
    assert {"conductivity_high", "controller_alarm"} <= {k for k, e in mails(feed) if e == "raised"}
    assert feed.poll().verdicts[0][0] == 0


def test_back_ends_it_early_by_name() -> None:
    feed = Feed(PLANT).run(600)
    out(feed)
    feed.run(600, alarm=1)
    assert feed.act("back", by="Lee", target="B1", why="done") == ""
    assert feed.last("out_of_service").by == "Lee"
    feed.run(60)
    assert feed.alarm_state("controller_alarm") == "unacknowledged"
    assert "not out of service" in feed.act("back", target="B1")


def test_an_alarm_that_stands_when_its_boiler_goes_out_is_ended_by_a_mail() -> None:
    feed = Feed(PLANT).run(600)
    feed.run(60, alarm=1)
    out(feed)
    assert mails(feed) == [("controller_alarm", "raised"), ("controller_alarm", "out_of_service")]
    entry = feed.last("controller_alarm")
    assert (entry.event, entry.by) == ("out_of_service", "Kim")
    assert "inspector" in entry.evidence


def test_low_water_stays_in_service_with_its_boiler_out() -> None:
    feed = Feed(PLANT).run(600)
    out(feed)
    feed.run(30, low=1, high=1)
    assert feed.alarm_state("low_water") == feed.alarm_state("high_water") == "unacknowledged"
    assert ("low_water", "raised") in mails(feed)
    assert feed.poll().verdicts[0][5] == 0
    assert "never out of service by itself" in out(feed, "B1.low_water")


def test_drained_takes_low_water_out_by_name_until_its_time() -> None:
    feed = Feed(PLANT).run(600, limit=0)
    assert out(feed, drained=True) == ""
    assert feed.alarm_state("low_water") == "out of service"
    entry = feed.last("low_water")
    assert (entry.event, entry.by) == ("out_of_service", "Kim")
    feed.run(1800, low=1)
    assert not [n for n in feed.notices if n.kind == "low_water"]
    assert feed.alarm_state("interlock_open") == "out of service"
    feed.run(1810)
    assert feed.alarm_state("low_water") == "unacknowledged"
    assert ("low_water", "raised") in mails(feed)


def test_drained_alone_is_a_state_and_hides_nothing() -> None:
    feed = Feed(PLANT).run(600, limit=0)
    assert feed.act("word", target="B1", state="drained", until_ms=until(feed, HOUR), why="tube work") == ""
    feed.run(60, low=1)
    assert feed.alarm_state("low_water") == "unacknowledged"
    assert feed.alarm_state("interlock_open") != "unacknowledged"


def test_a_boiler_that_fires_is_not_drained_whatever_was_said() -> None:
    feed = Feed(FIRED).run(600, limit=0, alarm=0)
    assert out(feed, drained=True) == ""
    feed.run(120, low=1)
    assert feed.alarm_state("low_water") == "out of service"
    feed.run(20, alarm=1)
    assert "no longer taken as drained: its burner fires" in feed.last("out_of_service").evidence
    assert feed.alarm_state("low_water") == "unacknowledged"
    assert "not taken as drained: its burner fires" in out(feed, drained=True)
    assert feed.alarm_state("low_water") == "unacknowledged"


def test_a_laid_up_boiler_is_said_to_be_so_and_warms_like_one_that_was_off() -> None:
    feed = Feed(PLANT).run(2 * HOUR)
    assert feed.act("word", target="B1", state="laid up wet", until_ms=until(feed, HOUR), why="summer") == ""
    assert feed.state.cells.senses.boilers[0].state.state == 5
    feed.run(1800, cond=100)
    assert feed.alarm_state("conductivity_low") == "suppressed by design"
    feed.run(1810)
    assert feed.state.cells.senses.boilers[0].state.state == 2  # warming
    feed.run(1900)
    assert feed.state.cells.senses.boilers[0].state.state == 3


def test_a_tag_out_of_service_is_read_on_and_judges_nothing() -> None:
    feed = Feed(PLANT).run(600)
    assert out(feed, "B1.probe") == ""
    taken = len(feed.readings)
    outcome = feed.poll(cond=4900)
    assert outcome.verdicts[0][0] == Reason.OUT_OF_SERVICE
    feed.run(1800, alarm=1)
    assert len(feed.readings) == taken
    assert feed.alarm_state("conductivity_high") == "out of service"
    assert feed.alarm_state("controller_alarm") == "unacknowledged"
    feed.run(1810 + 1200)
    assert feed.alarm_state("conductivity_high") == "unacknowledged"


def test_it_is_kept_through_snapshot_and_plant_change_and_holds_for_new_alarms() -> None:
    feed = Feed(plant(boiler())).run(600)
    out(feed)
    assert same(restore(feed.plant, dump(feed.state)), feed.state)
    feed.state, _, _ = carry(feed.state, PLANT, 2, START_MS)
    feed.plant = PLANT
    feed.run(60, alarm=1, low=1)
    assert feed.alarm_state("controller_alarm") == "out of service"
    assert feed.alarm_state("low_water") == "unacknowledged"


# ------------------------------------------------------------------ work by hand


def test_what_a_technician_causes_is_mailed_only_when_it_outlasts_the_visit() -> None:
    feed = Feed(PLANT).run(600)
    assert feed.act("hand", target="B1", what=ON_SITE, until_ms=until(feed, HOUR)) == ""
    feed.run(120, limit=0, alarm=1)
    entry = feed.last("controller_alarm")
    assert entry.event == "raised"
    assert "technician on site, says Kim" in entry.evidence
    feed.run(600, limit=1)
    assert mails(feed) == []
    feed.run(3000)
    assert mails(feed) == [("controller_alarm", "raised")]
    assert "its time is over" in feed.last("hand_work").evidence
    feed.run(60, alarm=0)
    assert mails(feed)[-1] == ("controller_alarm", "returned")


def test_a_technician_on_site_never_keeps_low_water_back() -> None:
    feed = Feed(PLANT).run(600)
    feed.act("hand", target="", what=ON_SITE, until_ms=until(feed, HOUR))
    feed.run(30, low=1)
    assert ("low_water", "raised") in mails(feed)


def test_leaving_early_is_an_act_too() -> None:
    feed = Feed(PLANT).run(600)
    feed.act("hand", target="B1", what=ON_SITE, until_ms=until(feed, HOUR))
    feed.run(60, alarm=1)
    assert mails(feed) == []
    assert feed.act("hand", target="B1", what="left") == ""
    assert mails(feed) == [("controller_alarm", "raised")]
    assert "nobody is said to be" in feed.act("hand", target="B1", what="left")


def falls(feed: Feed) -> Feed:
    """Steady, then falling with the valve shut from 50 minutes on."""
    feed.run(3000, cond=2950)
    return feed.run(1800, ramp=-4)


def test_a_blow_by_hand_explains_what_looked_like_a_valve_stuck_open() -> None:
    feed = falls(Feed(plant(boiler())))
    assert feed.last("valve_stuck_open").event == "raised"
    begin = START_MS + 3000_000
    number = feed.last("valve_stuck_open").occurrence
    assert feed.act("hand", target="B1", what=BLOW_BY_HAND, from_ms=begin, until_ms=begin + 1800_000, why="foam") == ""
    entry = feed.last("valve_stuck_open")
    assert entry.event == "returned"
    assert entry.evidence == "the fall is explained by a blow by hand, says Kim"
    assert f"explains alarm {number} (valve_stuck_open)" in feed.last("hand_work").evidence
    _, outcomes = step(start(feed.plant, 1), feed.groups)
    (record,) = [m for o in outcomes for m in o.manual]
    assert (record.target, record.what, record.taken_ms, record.value, record.unit, record.note) == (
        "B1", "blow by hand", begin, 30.0, "min", "foam",
    )  # fmt: skip
    assert [(b.start_ms, b.end_ms, b.by_hand) for b in feed.blows] == [(begin, begin + 1800_000, True)]


def test_a_blow_by_hand_said_beforehand_raises_nothing_and_a_fall_after_it_does() -> None:
    feed = Feed(plant(boiler())).run(3000, cond=2950)
    begin = START_MS + feed.t
    assert feed.act("hand", target="B1", what=BLOW_BY_HAND, from_ms=begin, until_ms=begin + 1800_000) == ""
    feed.run(1800, ramp=-3)
    feed.run(3700)
    assert not [e for e in feed.entries if e.kind == "valve_stuck_open"]
    feed.run(1800, ramp=-3)
    assert feed.last("valve_stuck_open").event == "raised"


# ------------------------------------------------------------------ put aside


def test_an_alarm_is_put_aside_for_a_time_and_stands_again_after_it() -> None:
    feed = Feed(PLANT).run(600)
    feed.run(60, alarm=1)
    number = feed.last("controller_alarm").occurrence
    assert "needs a reason" in feed.act("shelve", occurrence=number, until_ms=until(feed, HOUR))
    assert feed.act("shelve", by="Lee", occurrence=number, until_ms=until(feed, HOUR), why="relay on order") == ""
    entry = feed.last("controller_alarm")
    assert (entry.event, entry.state, entry.by) == ("shelved", "shelved", "Lee")
    feed.run(1800)
    assert feed.alarm_state("controller_alarm") == "shelved"
    assert same(restore(PLANT, dump(feed.state)), feed.state)
    feed.run(1810)
    assert [e.event for e in feed.entries if e.kind == "controller_alarm"][-2:] == ["unshelved", "raised"]
    number = feed.last("controller_alarm").occurrence
    assert feed.act("shelve", occurrence=number, until_ms=until(feed, HOUR), why="again") == ""
    assert feed.act("unshelve", occurrence=number) == ""
    feed.run(20)
    assert feed.alarm_state("controller_alarm") == "unacknowledged"


def test_low_water_and_failed_safety_tests_are_never_put_aside() -> None:
    feed = Feed(PLANT).run(600)
    feed.run(30, low=1)
    feed.act("enter", target="B1", what="cutoff_test", value=0)
    for kind in ("low_water", "safety_test_failed"):
        number = feed.last(kind).occurrence
        refused = feed.act("shelve", occurrence=number, until_ms=until(feed, HOUR), why="noise")
        assert f"{kind} is never put aside" in refused
        assert feed.alarm_state(kind) == "unacknowledged" or kind == "safety_test_failed"
    assert "stands" in feed.act("shelve", occurrence=999, until_ms=until(feed, HOUR), why="x")


def test_refusals_say_what_is_wanted() -> None:
    feed = Feed(PLANT).run(60)
    later = until(feed, HOUR)
    for what, body, says in (
        ("out", {"target": "B9", "until_ms": later, "why": "x"}, 'nothing called "B9"'),
        ("out", {"target": "B1", "until_ms": later}, "needs a reason"),
        ("out", {"target": "B1", "why": "x"}, "--until"),
        ("out", {"target": "B1", "until_ms": 5, "why": "x"}, "still to come"),
        ("out", {"target": "B1", "until_ms": later + 10**12, "why": "x"}, "400 days at most"),
        ("out", {"target": "panel", "until_ms": later, "why": "x", "drained": True}, "only a boiler can be drained"),
        ("word", {"target": "B1", "state": "happy", "until_ms": later}, "laid up wet"),
        ("hand", {"target": "B9", "what": ON_SITE, "until_ms": later}, 'no boiler "B9"; known here: B1'),
        ("hand", {"target": "B1", "what": ON_SITE, "until_ms": later + 10**9}, "12 h at most"),
        ("hand", {"target": "B1", "what": BLOW_BY_HAND, "from_ms": 5, "until_ms": 4}, "before it ends"),
        ("hand", {"target": "B1", "what": BLOW_BY_HAND}, "its begin and its end"),
    ):
        assert says in feed.act(what, **body), (what, body)


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=4),
    st.sampled_from(["B1", "B1.probe", "B1.low_water", "B1.high_water", "m", "panel", "drained", "laid up wet", "x"]),
    st.sampled_from([ON_SITE, BLOW_BY_HAND, "left", 1, 2, 3]),
    st.integers(START_MS, START_MS + 20_000_000),
)  # fmt: skip
ACTS = st.tuples(
    st.sampled_from(["out", "back", "word", "hand", "shelve", "unshelve", "ack", "note"]),
    st.dictionaries(
        st.sampled_from(["target", "until_ms", "from_ms", "why", "drained", "what", "state", "occurrence"]), JUNK
    ),
    st.integers(1, 90),
    st.fixed_dictionaries({"low": st.integers(0, 1), "limit": st.integers(0, 1), "cond": st.integers(0, 5000)}),
)


@given(st.lists(ACTS, max_size=15))
@settings(max_examples=120)
def test_no_order_of_acts_raises_or_keeps_low_water_back(
    log: list[tuple[str, dict[str, object], int, dict[str, int]]],
) -> None:
    feed = Feed(PLANT)
    defaults = {"target": "B1", "until_ms": START_MS + 30_000_000, "why": "x", "state": "drained", "what": ON_SITE}
    for what, body, polls, now in log:
        feed.poll(acts=(Act(feed.number + 1, what, "Kim", 0, defaults | body),), **now)
        for _ in range(polls):
            feed.poll()
            s = feed.state.cells.senses
            drained = any(r[0] == "B1" and r[1] == "drained" for r in s.words) and any(r[0] == "B1" for r in s.outs)
            assert (feed.alarm_state("low_water") == "out of service") is drained
            assert feed.alarm_state("low_water") not in ("shelved", "suppressed by design")
        if now["low"] and polls > 3 and not drained:
            assert feed.alarm_state("low_water") in ("unacknowledged", "acknowledged")
    raised = [e.occurrence for e in feed.entries if e.kind == "low_water" and e.event == "raised"]
    assert [n.occurrence for n in feed.notices if n.kind == "low_water" and n.event == "raised"] == raised
    state, outcomes = start(PLANT, 1), []
    for i in range(0, len(feed.groups), 37):
        state, got = step(state, feed.groups[i : i + 37])
        state = restore(PLANT, dump(state))
        outcomes += got
    assert [e for o in outcomes for e in o.journal] == feed.entries
    assert same(state, feed.state)
    assert all(math.isfinite(m.value) for o in outcomes for m in o.manual)
