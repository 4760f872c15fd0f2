"""What the live table and the event lines say, drawn on a recorded terminal."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from io import StringIO

import pytest
from rich.console import Console

from daemon.app.live import event_line, rate_text, status_line, table, tanks_line
from daemon.app.status import _stored_view, view_from_json
from daemon.app.view import AlarmView, BoilerView, MeterView, ModuleView, TankView, View
from daemon.core.outcome import Entry
from daemon.store.reader import Reader
from tests.support.creamery_store import creamery_store

AT = 1_793_800_000_000  # 2026-11-04 13:46:40 UTC, 07:46:40 in Chicago (US standard time, UTC-6)

B1 = BoilerView(
    name="B1",
    state="steaming",
    conductivity=2921.0,
    quality="good",
    reason="good",
    age_s=1200.0,
    probe=3052.0,
    probe_reason="not sampling",
    valve="shut",
    valve_for_s=1200.0,
    interlock="closed",
    set_point=3000.0,
    high=3300.0,
)
B2 = replace(
    B1,
    name="B2",
    state="off",
    conductivity=None,
    quality="uncertain",
    reason="no sample since steaming",
    age_s=None,
    probe=None,
    probe_reason="loop open (3.6 mA or less)",
    valve="not known",
    valve_for_s=None,
    interlock="open",
)
HIGH = AlarmView(
    occurrence=1042,
    target="B1",
    kind="conductivity_high",
    title="Conductivity high",
    state="unacknowledged",
    meaning="nobody has confirmed",
    priority="medium",
    since_ms=AT - 60_000,
    value=3324.0,
    limit=3300.0,
    unit="uS/cm",
    evidence="",
    by="",
)
HOUSE = View(
    plant="Quillmarsh Creamery",
    units="us",
    zone="America/Chicago",
    at_ms=AT,
    now_ms=AT,
    speed=60.0,
    boilers=(B1, B2),
    meters=(MeterView("makeup", "makeup", 3.785411784, 10.0, "good"),),
    alarms=(),
    modules=(ModuleView("ai", True, ""), ModuleView("di", False, "no answer within 1 s")),
)


def drawn(view: View, width: int = 80) -> list[str]:
    console = Console(width=width, record=True, force_terminal=True, file=StringIO())
    console.print(table(view, width))
    return [line.rstrip() for line in console.export_text().splitlines()]


def row(view: View, name: str, width: int = 80) -> str:
    return next(line for line in drawn(view, width) if line.startswith(name))


def test_the_head_says_plant_plant_time_and_speed() -> None:
    assert drawn(HOUSE)[0] == "Quillmarsh Creamery · Wed 2026-11-04 07:46:40 · plant time at 60 times real time"
    assert drawn(replace(HOUSE, speed=1.0))[0].endswith("07:46:40")


def test_a_boiler_shows_its_reading_with_age_and_what_the_probe_sees_now() -> None:
    view = replace(HOUSE, boilers=(B1,))
    assert " ".join(row(view, "B1").split()) == "B1 steaming 2921 umho/cm 20 min ago 3052 (not sampling) shut 20 min"


def test_si_plants_read_si_units() -> None:
    view = replace(HOUSE, units="si")
    assert "2921 uS/cm" in row(view, "B1")
    assert row(view, "makeup").split() == ["makeup", "3.785", "m3", "10", "m3/h"]
    # 1 US gal = 231 in3 exactly (NIST SP 811): 3.785411784 L
    assert row(HOUSE, "makeup").split() == ["makeup", "1000", "US", "gal", "44.03", "gpm"]


def test_what_is_not_known_is_said_and_never_a_number() -> None:
    text = " ".join(" ".join(drawn(replace(HOUSE, boilers=(B2,)), 120)).split())
    b2 = text[text.index("B2 off") : text.index("meter")]
    for words in ("no sample", "since", "steaming", "loop open (3.6 mA or less)", "not known"):
        assert words in b2
    assert re.findall(r"\d+", b2.replace("3.6 mA", "")) == ["2"]  # of its name


def test_a_reading_that_is_not_good_says_so() -> None:
    view = replace(HOUSE, boilers=(replace(B1, quality="uncertain", reason="cut short"),))
    assert "2921 umho/cm uncertain" in row(view, "B1", 120)


def test_limit_circuits_and_modules_are_summed_up_and_the_silent_named() -> None:
    text = "\n".join(drawn(HOUSE))
    assert "limit circuit: B1 closed, B2 open · 1 of 2 modules answer" in text
    assert "no answer from: di (no answer within 1 s)" in text


def test_alarms_that_stand_are_listed_with_number_and_since_when() -> None:
    text = "\n".join(drawn(replace(HOUSE, alarms=(HIGH,))))
    assert "medium  B1 Conductivity high [1042] since 07:45: nobody has confirmed" in text
    assert "no alarm stands" not in text
    assert "no alarm stands" in "\n".join(drawn(HOUSE))


def test_when_nothing_is_stored_it_is_said_before_all_else() -> None:
    assert drawn(replace(HOUSE, trouble="disk full"))[1] == "NOT STORING: disk full"


@pytest.mark.parametrize("width", [80, 100])
def test_in_a_narrow_terminal_words_fold_and_no_number_is_cut(width: int) -> None:
    wordy = replace(
        B1,
        name="North-boiler-house-1",
        state="hot standby",
        conductivity=12921.0,
        quality="uncertain",
        probe_reason="sample flow inferred, not wired",
        valve_for_s=11_000.0,
    )
    lines = drawn(replace(HOUSE, boilers=(wordy,)), width)
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert "12921 umho/cm uncertain" in text
    assert "20 min ago" in text
    assert "shut 3 h 03 min" in text
    assert "3052" in text


def test_one_line_for_a_log() -> None:
    assert status_line(HOUSE) == (
        "Wed 07:46  B1 steaming 2921 umho/cm, B2 off no sample since steaming; 0 alarms stand; no answer: di"
    )


@pytest.mark.parametrize(
    ("event", "by", "evidence", "wanted"),
    [
        ("raised", "", "3324 umho/cm", "Wed 07:46:40  ALARM  B1 Conductivity high [7]: 3324 umho/cm"),
        ("returned", "", "", "Wed 07:46:40  back to normal  B1 Conductivity high [7]"),
        ("acknowledged", "Ann", "", "Wed 07:46:40  acknowledged  B1 Conductivity high [7] by Ann"),
    ],
)
def test_each_event_is_a_line(event: str, by: str, evidence: str, wanted: str) -> None:
    entry = Entry(AT, 7, "B1", "conductivity_high", "", event, "", "medium", evidence=evidence, by=by)
    assert event_line(entry, HOUSE, "Conductivity high") == wanted


def test_dissolved_solids_carry_their_label_and_a_correction_is_never_silent() -> None:
    b1 = replace(
        B1,
        neutralised=True,
        solids=2044.7,
        solids_unit="ppm TDS (neutralised)",
        solids_source="0.7 × conductivity; the usual factor",
        correction="gain 1.043, act 7",
    )
    text = " ".join(" ".join(drawn(replace(HOUSE, boilers=(b1, B2)), 120)).split())
    assert "2921 umho/cm (neutralised)" in text
    assert "B1 dissolved solids 2045 ppm TDS (neutralised) (0.7 × conductivity; the usual factor)" in text
    assert "B1 corrected in the log: gain 1.043, act 7" in text
    assert "dissolved solids" not in " ".join(drawn(HOUSE, 120))


@pytest.mark.parametrize(
    ("rate", "low", "high", "reason", "said"),
    [
        (3.0, 2.9, 3.1, "good", "3 m3/h"),
        (3.0, 2.0, 6.0, "few pulses: the rate is rough", "2 to 6 m3/h"),
        (3.0, 2.0, None, "few pulses: the rate is rough", "over 2 m3/h"),
        (0.5, 0.0, 0.5, "few pulses: the rate is rough", "under 0.5 m3/h"),
        (None, None, None, "", ""),
    ],
)
def test_few_pulses_are_shown_as_bounds(
    rate: float | None, low: float | None, high: float | None, reason: str, said: str
) -> None:
    m = MeterView("makeup", "makeup", 12.0, rate, "good", low, high, reason)
    assert rate_text(m, "si") == said


def test_a_meters_days_stand_beside_its_total() -> None:
    with Reader(creamery_store()) as reader:
        view = _stored_view(reader)
    assert view is not None
    (makeup,) = (m for m in view.meters if m.name == "makeup")
    assert makeup.today is not None
    assert 0 <= makeup.today <= makeup.total
    assert makeup.today_reason == "day not seen whole: at least this"  # the log began on it
    made = replace(HOUSE, meters=(replace(makeup, today=3.785411784, yesterday=7.570823568),))
    assert row(made, "meter").split() == ["meter", "total", "rate", "today", "yesterday"]
    assert row(made, "makeup").split()[-6:] == ["1000", "US", "gal", "2000", "US", "gal"]


def test_what_the_tanks_hold_stands_in_a_line() -> None:
    gal = 0.003785411784
    tanks = (
        TankView("polymer_tank", 41.25 * gal, 55 * gal, "good"),
        TankView("salt", None, 1.0, "loop open (3.6 mA or less)"),
    )
    assert tanks_line(replace(HOUSE, tanks=tanks)) == (
        "tanks: polymer_tank 41.25 US gal (75 %), salt loop open (3.6 mA or less)"
    )
    assert tanks_line(HOUSE) == ""
    with Reader(creamery_store()) as reader:
        view = _stored_view(reader)
    assert view is not None
    assert [t.name for t in view.tanks] == ["scavenger_tank", "polymer_tank"]
    assert all(t.volume is not None and 0 < t.volume < t.full for t in view.tanks)
    assert view_from_json(json.loads(json.dumps(view.as_json()))) == view


def test_the_last_test_of_a_cut_off_is_shown_with_its_time() -> None:
    seen = "cut-off test: burner stopped after 4 s; the contact was on for 20 s"
    tried = replace(HOUSE, boilers=(replace(B1, cutoff=seen, cutoff_ms=AT),))
    assert f"B1 Wed 2026-11-04 07:46 {seen}" in " ".join(" ".join(drawn(tried, 200)).split())
    assert "cut-off" not in " ".join(drawn(HOUSE, 200))
