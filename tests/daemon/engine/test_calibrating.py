"""The two acts of calibration and their withdrawal, as a shift log.

Figures of plausibility: common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.core.outcome import Calibration
from daemon.core.reasons import Reason
from daemon.core.scan import Act
from daemon.engine import carry, dump, restore, start, step
from daemon.measure.calibration import in_force
from daemon.measure.correction import Correction
from tests.support.feed import START_MS, Feed, boiler, plant, same

RAW = 'signal = "live", calibrated_at = "log"'
GRAB = {"value": 2450, "unit": "uS/cm", "cooled": True, "compensated": True, "neutralised": False}


def feed(keys: str = RAW) -> Feed:
    f = Feed(plant(boiler("continuous").replace('signal = "live"', keys)))
    return f.run(120, cond=2000)


def act(f: Feed, **body: Any) -> tuple[str, tuple[Calibration, ...]]:
    outcome = f.poll(acts=(Act(f.number + 1, "calibrate", "J. Ortiz", 0, {"boiler": "B1", **body}),))
    return outcome.acts[0][1], outcome.calibrations


def pair(f: Feed, reference: float, **more: Any) -> dict[str, Any]:
    """A handheld's value beside the newest reading, as the command gives it."""
    c = cell(f)
    reading = f.readings[-1][1]
    probe = (reading - c.offset) / c.gain + c.zero
    return {
        "how": "log",
        "form": "handheld",
        "reference": reference,
        "reading": reading,
        "probe": probe,
        "grab": GRAB,
        "no_display": "none on this transmitter",
        **more,
    }


def cell(f: Feed) -> Correction:
    return f.state.cells.senses.boilers[0].correction


def test_a_correction_in_the_log_holds_from_its_group_on() -> None:
    f = feed()
    before = len(f.readings)
    why, (record,) = act(f, **pair(f, 2100, instrument="handheld 3", remark="first visit"))
    assert why == ""
    assert f.readings[before - 1][1] == pytest.approx(2000, abs=0.2)
    assert f.readings[before][1] == pytest.approx(2100, abs=0.2)  # the group that carries the act
    f.run(60, cond=1000)
    assert f.readings[-1][1] == pytest.approx(1050, abs=0.3)
    assert (record.tag, record.kind, record.from_ms) == ("B1.conductivity", "log", START_MS + 120_000)
    assert record.body["gain"] == pytest.approx(1.05, abs=1e-3)
    assert record.body["by"] == "J. Ortiz"
    assert record.body["instrument"] == "handheld 3"
    entry = f.last("calibration")
    assert entry.by == "J. Ortiz"
    assert "gain 1.05 from here on" in entry.evidence
    assert "the first of this probe: nothing to judge it by" in entry.evidence


def test_calibrated_at_the_wall_changes_no_factor_and_leaves_a_known_break() -> None:
    f = feed('signal = "live"')
    why, (record,) = act(
        f,
        how="wall",
        form="handheld",
        reference=2100,
        as_found=2000,
        as_left=2100,
        grab=GRAB,
        wall={"display": 2000, "off_percent": 0.1},
    )
    assert why == ""
    assert f.readings[-1][1] == pytest.approx(2000, abs=0.2)
    assert record.kind == "wall instrument"
    assert record.body["error_percent"] == pytest.approx(-4.762, abs=1e-3)
    assert (record.body["gain"], record.body["force_act"]) == (1.0, 0)
    assert cell(f).break_at_ms == START_MS + f.t
    assert cell(f).break_ms == f.t
    assert "no factor here changes, the step is a known break" in f.last("calibration").evidence


def test_the_step_a_wall_calibration_made_is_no_change_that_water_cannot_make() -> None:
    """The record says what the display was left at: it always comes after the step."""
    sized = boiler("continuous").replace("duty =", 'water = "12000 lb"\nsteam_max = "10000 lb/h"\nduty =')
    f = Feed(plant(sized)).run(600, cond=2000)
    done = {
        "how": "wall",
        "form": "handheld",
        "reference": 2600,
        "as_found": 2000,
        "as_left": 2600,
        "grab": GRAB,
        "wall": {"display": 2000, "off_percent": 0.1},
        "override": "scaled, then cleaned",
    }
    f.run(20, cond=2600)
    assert f.poll().verdicts[0][0] == Reason.IMPOSSIBLE_RATE  # nobody has said yet what made the step
    assert act(f, **done)[0] == ""
    assert {f.poll().verdicts[0][0] for _ in range(6)} == {0}
    f.now["cond"] = 3400  # and a step that nobody accounts for is one still
    assert f.poll().verdicts[0][0] == Reason.IMPOSSIBLE_RATE


def test_where_the_source_is_itself_calibrated_a_correction_in_the_log_wants_a_reason() -> None:
    f = feed('signal = "live"')
    why, records = act(f, **pair(f, 2100))
    assert "would count twice" in why
    assert records == ()
    assert cell(f) == Correction()
    assert act(f, **pair(f, 2100, reason="controller locked, key lost"))[0] == ""
    assert "reason: controller locked, key lost" in f.last("calibration").evidence


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"grab": {**GRAB, "cooled": False}}, "was not cooled: hot water flashes"),
    ({"grab": {**GRAB, "cooled": None}}, "was not cooled"),
    ({"grab": {**GRAB, "neutralised": True}}, "the grab was neutralised, B1.conductivity is of unneutralised"),
    ({"grab": {k: v for k, v in GRAB.items() if k != "neutralised"}}, "not said to be neutralised or not"),
    ({"no_display": ""}, "wants what the wall instrument shows"),
    ({"wall": {"off_percent": -3.1, "what": "range", "look": "Read the range"}}, "3.1 % of span apart"),
    ({"reference": "2100"}, "reference wants a number"),
    ({"reference": float("nan")}, "reference wants a number"),
    ({"reference": -5}, "wants the reference (above 0)"),
    ({"probe": None}, "our reading beside it"),
    ({"probe": -3.0}, "is no more than the zero"),
    ({"form": "guess"}, "wants one of handheld"),
    ({"how": "both"}, "at the wall instrument, or in the log"),
    ({"boiler": "B9"}, "there is no boiler 'B9'"),
    ({"grab": "cold"}, "want their fields by name"),
    ({"form": "offset", "offset": 20}, "wants its value and a reason"),
    ({"form": "zero", "probe": 400}, "more than 2 % of span"),
    ({"how": "wall"}, "as found and as left"),
    ({"how": "undo", "undo": 7}, "no calibration of B1 under act 7"),
]


@pytest.mark.parametrize(("change", "text"), REFUSED, ids=[t for _, t in REFUSED])
def test_what_is_not_in_order_is_refused_with_the_reason(change: dict[str, Any], text: str) -> None:
    f = feed()
    body = pair(f, 2100) | change
    why, records = act(f, **body)
    assert text in why
    assert records == ()
    assert cell(f) == Correction()


def test_plausibility_is_of_this_probes_own_history_and_a_reason_overrides() -> None:
    f = feed()
    assert act(f, **pair(f, 3000))[0] == ""  # the first: 50 % off, and nothing to judge it by
    why, _ = act(f, **pair(f, 2000))
    assert "off by +50.0 %, more than 20 %" in why
    for reference in (3030, 2970, 3010):
        assert act(f, **pair(f, reference))[0] == ""
    why, _ = act(f, **pair(f, 2700))
    assert "this probe's last 3 calibrations found" in why
    assert act(f, **pair(f, 2700, override="electrodes cleaned before the grab"))[0] == ""
    assert "overridden: electrodes cleaned" in f.last("calibration").evidence
    assert act(f, **pair(f, 5400, new_probe=True))[0] == ""  # a new probe has no history
    assert cell(f).gain == pytest.approx(2.7, abs=0.01)
    assert act(f, **pair(f, 5500))[0] == ""


def test_zero_is_the_second_point_and_the_working_point_stays() -> None:
    f = feed()
    act(f, **pair(f, 2100))
    why, _ = act(f, how="log", form="zero", probe=40.0, no_display="none")
    assert why == ""
    f.run(30)
    assert f.readings[-1][1] == pytest.approx(2100, abs=0.3)
    f.run(30, cond=40)
    assert f.readings[-1][1] == pytest.approx(0, abs=0.3)
    act(f, how="log", form="offset", offset=15, reason="lead resistance", no_display="none")
    f.run(30)
    assert f.readings[-1][1] == pytest.approx(15, abs=0.3)


def test_a_new_probe_alone_forgets_the_factor() -> None:
    f = feed()
    act(f, **pair(f, 2100))
    assert act(f, how="log", form="new probe", no_display="none")[0] == ""
    f.run(30)
    assert f.readings[-1][1] == pytest.approx(2000, abs=0.3)


def test_undone_by_a_new_record_what_was_before_is_in_force_again() -> None:
    f = feed()
    kept: list[Calibration] = []
    for reference in (2100, 2150):
        kept += act(f, **pair(f, reference))[1]
    first, second = (k.act for k in kept)
    why, (record,) = act(f, how="undo", undo=second, reason="wrong bottle")
    assert (why, record.kind, record.body["undone"]) == ("", "undone", second)
    f.run(30)
    assert f.readings[-1][1] == pytest.approx(2100, abs=0.3)
    assert f"no calibration of B1 under act {second}" in act(f, how="undo", undo=second)[0]
    kept += [record]
    t = f.now and START_MS + f.t
    assert in_force(kept, "B1", t).act == first
    assert in_force(kept, "B1", kept[1].from_ms).act == second
    assert in_force(kept, "B1", kept[0].from_ms - 1).act == 0
    assert act(f, how="undo", undo=first)[0] == ""
    f.run(30)
    assert f.readings[-1][1] == pytest.approx(2000, abs=0.3)
    assert cell(f).act == 0


def test_a_step_by_calibration_is_no_evidence_about_the_valve() -> None:
    f = feed()
    f.run(60, blow=1).run(60)
    act(f, **pair(f, 2400))
    assert f.state.cells.senses.boilers[0].ref == pytest.approx(2400, abs=0.5)  # of after the break


def test_it_outlives_a_change_of_the_plant_file_but_not_of_the_probes_range() -> None:
    f = feed()
    _, records = act(f, **pair(f, 2100))
    text = boiler("continuous").replace('signal = "live"', RAW)
    other = plant(text.replace('"3000 uS/cm"', '"2900 uS/cm"'))
    state, gone, _ = carry(f.state, other, 2, START_MS + f.t)
    assert gone == ()
    assert state.cells.senses.boilers[0].correction == cell(f)
    wider = plant(text.replace("0..5000", "0..10000"))
    at = START_MS + f.t + 10_000
    state, gone, _ = carry(f.state, wider, 2, at)
    assert [e.kind for e in gone] == ["calibration"]
    assert "correction of act" in gone[0].evidence
    assert state.cells.senses.boilers[0].correction.act == 0
    versions = [(START_MS - 1, f.plant), (at, wider)]
    assert in_force(records, "B1", at - 1, versions).act == records[0].act
    assert in_force(records, "B1", at, versions).act == 0
    assert in_force(records, "B1", at, [(START_MS - 1, f.plant), (at, other)]).act == records[0].act


def test_a_replay_reproduces_it_however_it_is_cut() -> None:
    f = feed()
    act(f, **pair(f, 2100))
    f.run(60, cond=2300)
    _, (second,) = act(f, **pair(f, 2500))
    assert act(f, how="undo", undo=second.act)[0] == ""
    f.run(60)
    whole, _ = step(start(f.plant, 1), f.groups)
    assert same(whole, f.state)
    state = start(f.plant, 1)
    for group in f.groups:
        state = restore(f.plant, dump(state))
        state, _ = step(state, [group])
    assert same(state, f.state)


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=4,
)
KEYS = (
    "reference",
    "reading",
    "probe",
    "offset",
    "as_found",
    "as_left",
    "grab",
    "wall",
    "form",
    "how",
    "undo",
    "reason",
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.dictionaries(st.sampled_from(KEYS), anything, max_size=4),
    st.sampled_from(("log", "wall", "undo")),
    st.sampled_from(("handheld", "standard", "zero", "offset", "new probe")),
)
def test_no_request_makes_an_exception_or_a_factor_that_is_none(change: dict[str, Any], how: str, form: str) -> None:
    f = FED
    body = pair(f, 2100, as_found=1990, as_left=2100, offset=3, reason="as asked", form=form) | {"how": how} | change
    state, (outcome,) = step(f.state, [f.group((Act(9, "calibrate", "Kim", 0, {"boiler": "B1", **body}),))])
    f.t, f.number = f.t - f.every_ms, f.number - 1
    c = state.cells.senses.boilers[0].correction
    assert c.gain > 0
    assert abs(c.gain) < float("inf")
    assert bool(outcome.calibrations) is (outcome.acts[0][1] == "")
    restore(f.plant, dump(state))


FED = feed()


def test_a_comparison_alone_is_on_record_and_changes_nothing() -> None:
    f = feed()
    act(f, **pair(f, 2100))
    broken_at = cell(f).break_at_ms
    why, (record,) = act(f, **pair(f, 2110, keep=True))
    assert why == ""
    assert cell(f).gain == pytest.approx(1.05, abs=1e-3)
    assert cell(f).break_at_ms == broken_at
    assert (record.body["corrected"], record.body["error_percent"]) == (False, pytest.approx(-0.474, abs=0.02))
    assert "compared (ours off by -0.5 %), and nothing corrected" in f.last("calibration").evidence


def test_a_blow_under_way_is_told_in_one_scale() -> None:
    f = feed()
    f.run(60, blow=1, cond=2000)
    act(f, **pair(f, 2400))
    f.run(60, cond=1900)
    f.run(60, blow=0)
    (blow,) = f.blows
    assert blow.sampled == pytest.approx(2400, abs=0.5)  # the first after the break, not 2000
    assert blow.ended_at == pytest.approx(1900 * 1.2, abs=0.5)
