"""What a stretch of time holds: its ends, the hours a clock shows twice or never, plant files that change within it."""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import openpyxl
import pytest

from daemon.app.exporting import ExportError, export_files, instant_ms
from daemon.core.scan import Group
from tests.support.small_store import BOILER, cond, counted, every, store

ZONE = ZoneInfo("America/Chicago")
MINUTES = 60_000


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text + "+00:00").timestamp() * 1000)


def readings(path: Path, start: str = "-30d", end: str = "now") -> list[dict[str, str]]:
    export_files(path, start, end, "csv", path.parent / "out")
    with (path.parent / "out" / "readings.csv").open(encoding="utf-8", newline="") as f:
        return list(csv.DictReader(f))


def sheet(path: Path, name: str) -> list[dict[str, Any]]:
    (file,) = export_files(path, "-30d", "now", "xlsx", path.parent / "out")
    heads, *rows = openpyxl.load_workbook(file)[name].iter_rows(values_only=True)
    return [dict(zip(map(str, heads), row, strict=True)) for row in rows]


def steady(at_ms: int, n: int, step_ms: int = 10 * MINUTES) -> list[Group]:
    return every(at_ms, step_ms, [counted(cond(2900), 100 + k, 1, 1) for k in range(n)])


# ------------------------------------------------------------------ ends


def test_now_is_the_newest_instant_and_part_of_the_stretch(tmp_path: Path) -> None:
    path = store(tmp_path / "w.db", steady(utc("2026-07-01 12:00"), 7))
    rows = readings(path, "-20m")
    assert [r["time"][11:16] for r in rows] == ["07:40", "07:50", "08:00"]  # UTC-5 in summer


def test_a_date_is_that_whole_day(tmp_path: Path) -> None:
    path = store(tmp_path / "w.db", steady(utc("2026-07-01 00:00"), 60, 60 * MINUTES))
    assert len(readings(path, "2026-07-01", "2026-07-01")) == 24
    assert len(readings(path, "2026-07-01", "2026-07-02")) == 48
    assert len(readings(path, "2026-07-01 06:00", "2026-07-01 09:00")) == 3  # 06, 07, 08


def test_a_day_on_which_the_clock_is_set_has_25_or_23_hours() -> None:
    def hours(day: str) -> float:
        return (instant_ms(day, ZONE, 0, end=True) - instant_ms(day, ZONE, 0)) / 3_600_000

    assert (hours("2026-11-01"), hours("2027-03-14"), hours("2026-07-04")) == (25, 23, 24)


@pytest.mark.parametrize("text", ["-2w", "yesterday", "2026-13-01", "-999999999999d", "9999-12-31", "--7d", ""])
def test_a_time_that_is_none_is_refused_with_what_is_wanted(text: str) -> None:
    with pytest.raises(ExportError, match=r'A time wants "2026-11-20".*"-7d" or "now"; found'):
        instant_ms(text, ZONE, 1_790_000_000_000, end=True)


@pytest.mark.parametrize("form", ["csv", "xlsx", "raw"])
def test_where_nothing_is_stored_the_answer_says_what_is(tmp_path: Path, form: str) -> None:
    path = store(tmp_path / "w.db", steady(utc("2026-07-01 12:00"), 7))
    with pytest.raises(ExportError) as e:
        export_files(path, "2026-08-01", "2026-08-02", form, tmp_path / "out")
    assert str(e.value) == (
        "Nothing is stored from 2026-08-01 00:00:00 CDT to 2026-08-03 00:00:00 CDT. "
        "The store holds 2026-07-01 07:00:00 CDT to 2026-07-01 08:00:00 CDT."
    )
    assert not (tmp_path / "out").exists()
    with pytest.raises(ExportError, match="--from -1h is not before --to -2h"):
        export_files(path, "-1h", "-2h", form, tmp_path / "out")


# ------------------------------------------------------------------ the hours a clock shows twice, or never


def test_when_summer_time_ends_the_hour_stands_twice_with_its_offset(tmp_path: Path) -> None:
    path = store(tmp_path / "w.db", steady(utc("2026-11-01 05:30"), 16))
    times = [r["time"] for r in readings(path)]
    assert times[:3] == ["2026-11-01T00:30:00-05:00", "2026-11-01T00:40:00-05:00", "2026-11-01T00:50:00-05:00"]
    assert times[3:9] == [f"2026-11-01T01:{m:02d}:00-05:00" for m in range(0, 60, 10)]
    assert times[9:15] == [f"2026-11-01T01:{m:02d}:00-06:00" for m in range(0, 60, 10)]
    assert times[15] == "2026-11-01T02:00:00-06:00"
    cells = [r["time"] for r in sheet(path, "Readings")]
    assert cells == [datetime.fromisoformat(t).replace(tzinfo=None) for t in times]
    # of an hour that stands twice, all of it is meant
    assert len(readings(path, "2026-11-01 01:00", "2026-11-01 01:59")) == 12
    assert len(readings(path, "2026-11-01 01:00-06:00", "2026-11-01 01:59")) == 6


def test_when_summer_time_begins_the_hour_that_is_not_is_not_shown(tmp_path: Path) -> None:
    path = store(tmp_path / "w.db", steady(utc("2027-03-14 07:30"), 7))
    times = [r["time"] for r in readings(path)]
    assert times == [
        *(f"2027-03-14T01:{m}:00-06:00" for m in (30, 40, 50)),
        *(f"2027-03-14T03:{m:02d}:00-05:00" for m in (0, 10, 20, 30)),
    ]
    assert [r["time"] for r in sheet(path, "Readings")] == [datetime.fromisoformat(t[:19]) for t in times]


# ------------------------------------------------------------------ plant files that change


def test_tags_of_an_older_plant_file_have_columns_too_one_for_each_unit(tmp_path: Path) -> None:
    signal = '[[analogue]]\nname = "feed"\nchannel = "ai.b1_cond"\nrange = "4..20 mA = {}"\n'
    old = BOILER + signal.format("0..100 %")
    new = BOILER.replace('name = "makeup"', 'name = "well"') + signal.format("0..200 psig")
    scans = [counted(cond(2500), 100 + k, 0, 1) for k in range(8)]
    one = every(utc("2026-07-01 12:00"), 10_000, scans)
    two = [Group(g.number, g.at_ms, g.elapsed_ms, 1, 2 if g.number > 4 else 1, g.scans) for g in one]
    path = store(tmp_path / "w.db", two, {1: old, 2: new})
    rows = readings(path)
    assert len(rows) == 8
    for k, r in enumerate(rows):
        before, after = k < 4, k >= 4
        # 2500 of 5000 uS/cm is half of every range on that channel
        assert (r["feed (%)"] != "") is before
        assert (r["feed (psig)"] != "") is after
        assert float(r["feed (%)"] or 50) == pytest.approx(50, abs=0.01)
        assert float(r["feed (psig)"] or 100) == pytest.approx(100, abs=0.02)
        assert r["makeup.pulses"] == (str(100 + k) if before else "")
        assert r["well.pulses"] == (str(100 + k) if after else "")
        assert r["B1.state"] and r["B1.valve"]
    heads = list(rows[0])
    assert heads.index("feed (psig)") < heads.index("feed (%)")  # the newest file's own come first
    assert heads[-1] == "not good"


def test_a_stretch_before_the_change_has_no_columns_of_what_came_later_but_the_present_ones(tmp_path: Path) -> None:
    new = BOILER.replace('name = "makeup"', 'name = "well"')
    one = every(utc("2026-07-01 12:00"), 10 * MINUTES, [counted(cond(2500), 100, 0, 1)] * 12)
    two = [Group(g.number, g.at_ms, g.elapsed_ms, 1, 2 if g.number > 4 else 1, g.scans) for g in one]
    path = store(tmp_path / "w.db", two, {1: BOILER, 2: new})
    assert "makeup.total (US gal)" not in readings(path, "-10m")[0]
    assert all(r["makeup.total (US gal)"] == "0" for r in readings(path, "2026-07-01 07:00", "2026-07-01 07:20"))


# ------------------------------------------------------------------ what is not known


def test_a_valve_whose_contact_gives_no_answer_is_not_said_to_be_shut(tmp_path: Path) -> None:
    answers = [counted(cond(2900), k, 0, 1) for k in range(4)]
    silent = [counted(None, None, None, None)] * 3
    path = store(tmp_path / "w.db", every(utc("2026-07-01 12:00"), 10_000, [*answers, *silent, *answers]))
    rows = readings(path)
    assert [r["B1.valve"] for r in rows] == ["shut"] * 4 + [""] * 3 + ["shut"] * 4
    assert all("B1.valve_command: no answer" in r["not good"] for r in rows[4:7])
    assert {r["B1.valve_command"] for r in rows[4:7]} == {""}
    assert all(r["makeup.total (US gal)"] for r in rows)  # what was counted so far stays counted


def test_a_failed_loop_has_no_number_but_words(tmp_path: Path) -> None:
    open_loop = counted(round(3.0 / 20 * 65535), 5, 1, 1)
    path = store(tmp_path / "w.db", every(utc("2026-07-01 12:00"), 10_000, [open_loop] * 3))
    for row in readings(path):
        assert row["B1.probe (umho/cm)"] == ""
        assert row["B1.probe quality"] == "loop open (3.6 mA or less)"


def test_notes_that_look_like_formulas_are_text_in_both_forms(tmp_path: Path) -> None:
    said = '=HYPERLINK("http://quillmarsh.example","x")'
    path = store(
        tmp_path / "w.db",
        steady(utc("2026-07-01 12:00"), 4),
        acts={2: ("note", {"text": said, "target": "B1"}), 3: ("note", {"text": "@" + "ü" * 40_000, "target": "B1"})},
    )
    readings(path)
    with (tmp_path / "out" / "alarms.csv").open(encoding="utf-8", newline="") as f:
        first, second = [r for r in csv.DictReader(f) if r["event"] == "note"]
    assert first["evidence"] == "'" + said
    assert first["by"] == "J. Ortiz"
    assert second["evidence"].startswith("'@ü")
    (file,) = export_files(path, "-30d", "now", "xlsx", tmp_path / "book")
    page = openpyxl.load_workbook(file)["Alarms"]
    heads = [c.value for c in page[1]]
    short, whole = [r[heads.index("evidence")] for r in page.iter_rows() if r[heads.index("event")].value == "note"]
    assert (short.value, short.data_type) == (said, "s")
    long = whole.value
    assert isinstance(long, str)
    assert long.startswith("@ü")
    assert len(long) <= 32_767  # the most a cell holds
