"""CSV and workbook against the arithmetic written out here, from the counts that were stored."""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import openpyxl
import pytest

from daemon.core.outcome import Entry
from daemon.core.scan import Group
from daemon.report import xlsx_export
from daemon.report.csv_export import export_csv
from daemon.report.readings import Sheet
from daemon.report.tables import ALARM_HEADS, alarm_row, site_time
from daemon.report.xlsx_export import export_xlsx
from daemon.store.reader import Reader
from tests.support.creamery_store import creamery_store
from tests.support.recordings import creamery, groups

PLANT = creamery().plant
ZONE = ZoneInfo("America/Chicago")
RECORDING = groups(3.5)
START, END = RECORDING[0].at_ms, RECORDING[-1].at_ms


def count(group: Group, module: str, channel: str) -> float:
    k = [m.name for m in PLANT.modules].index(module)
    value = group.scans[k].counts[list(PLANT.modules[k].channels).index(channel)]
    assert value is not None
    return value


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, str]]]:
    folder = tmp_path_factory.mktemp("csv")
    with Reader(creamery_store()) as reader:
        files = export_csv(reader, PLANT, START, END + 1, folder)
    names = ["alarms", "blows", "calibrations", "days", "manual", "readings"]
    assert sorted(f.name for f in folder.iterdir()) == [f"{n}.csv" for n in names]
    out = {}
    for file in files:
        with file.open(encoding="utf-8", newline="") as f:
            out[file.stem] = list(csv.DictReader(f))
    return out


def test_one_row_an_instant_in_the_plants_own_time(exported: dict[str, list[dict[str, str]]]) -> None:
    rows = exported["readings"]
    assert len(rows) == len(RECORDING)
    for row, group in zip(rows[::97], RECORDING[::97], strict=True):
        at = datetime.fromisoformat(row["time"])
        assert at.utcoffset() == ZONE.utcoffset(at.replace(tzinfo=None))
        assert abs(at.timestamp() - group.at_ms / 1000) < 1


def test_values_are_the_counts_worked_out_by_hand(exported: dict[str, list[dict[str, str]]]) -> None:
    checked = 0
    for row, group in zip(exported["readings"], RECORDING, strict=True):
        ma = count(group, "ai", "b2_cond") / 65535 * 20
        assert float(row["B2.probe (umho/cm)"]) == pytest.approx((ma - 4) / 16 * 5000, rel=1e-6)
        psig = (count(group, "ai", "b1_pressure") / 65535 * 20 - 4) / 16 * 200
        assert float(row["B1.steam_pressure (psig)"]) == pytest.approx(psig, rel=1e-5)
        fahrenheit = (count(group, "ai", "b1_probe_temp") / 65535 * 20 - 4) / 16 * 400
        assert float(row["B1.probe_temperature (°F)"]) == pytest.approx(fahrenheit, rel=1e-5)
        assert row["B1.valve_command"] == ("closed" if count(group, "di", "b1_blow") else "open")
        assert int(row["makeup.pulses"]) == count(group, "counters", "makeup")
        checked += 1
    assert checked == len(RECORDING)


def test_conductivity_stands_only_where_it_was_sampled(exported: dict[str, list[dict[str, str]]]) -> None:
    rows = exported["readings"]
    sampled = [r for r in rows if r["B1.conductivity (umho/cm)"]]
    assert 0 < len(sampled) < len(rows) / 2  # timed samples
    assert {r["B1.conductivity quality"] for r in sampled} == {"good"}
    assert all(r["B1.conductivity (umho/cm)"] == r["B1.probe (umho/cm)"] for r in sampled)
    assert {r["B1.probe quality"] for r in rows} >= {"good", "not sampling", "flushing"}


def test_states_and_totals_stand_in_every_row_also_of_a_later_stretch(tmp_path: Path) -> None:
    with Reader(creamery_store()) as reader:
        export_csv(reader, PLANT, START + 5_400_000, START + 5_700_000, tmp_path)
    with (tmp_path / "readings.csv").open(encoding="utf-8", newline="") as f:
        rows = list(csv.DictReader(f))
    assert len(rows) == 30
    assert all(r["B1.state"] and r["B1.valve"] and r["makeup.total (US gal)"] for r in rows)
    assert {r["B2.state"] for r in rows} <= {"off", "warming", "steaming"}


def test_alarms_and_blows_are_those_of_the_store(exported: dict[str, list[dict[str, str]]]) -> None:
    with Reader(creamery_store()) as reader:
        journal, blows = list(reader.journal()), list(reader.blows())
    assert [(r["number"], r["event"]) for r in exported["alarms"]] == [(str(e.occurrence), e.event) for e in journal]
    assert {"Conductivity high", "Boiler interlock open"} <= {r["alarm"] for r in exported["alarms"]}
    held = next(r for r in exported["alarms"] if r["state"] == "suppressed by design")
    assert held["meaning"] == "held back because the boiler is off"
    # an alarm put back into service is in its normal state with its value still above the limit: no word on the boiler
    back = [r for r in exported["alarms"] if r["state"] == "normal"]
    assert any(r["value"] and float(r["value"]) > float(r["limit"]) for r in back)
    assert {r["meaning"] for r in back} == {""}
    assert [(r["boiler"], float(r["open for (min)"])) for r in exported["blows"]] == [
        (b.boiler, round(b.open_ms / 60_000, 2)) for b in blows
    ]


def test_the_workbook_holds_real_dates_and_the_same_numbers(
    tmp_path: Path, exported: dict[str, list[dict[str, str]]]
) -> None:
    with Reader(creamery_store()) as reader:
        path = export_xlsx(reader, PLANT, START, END + 1, tmp_path / "visit.xlsx")
    assert [p.name for p in tmp_path.iterdir()] == ["visit.xlsx"]
    book = openpyxl.load_workbook(path, read_only=False)
    assert book.sheetnames == ["Summary", "Readings", "Days", "Blows", "Alarms", "Calibrations", "Manual"]
    page = book["Readings"]
    heads = [c.value for c in page[1]]
    assert page.freeze_panes == "B2"
    assert page.auto_filter.ref
    assert page.max_row == len(RECORDING) + 1
    for n in (2, 500, page.max_row):
        row = dict(zip(heads, [c.value for c in page[n]], strict=True))
        want = exported["readings"][n - 2]
        at = row["time"]
        assert isinstance(at, datetime)
        assert at.replace(microsecond=0) == datetime.fromisoformat(want["time"]).replace(tzinfo=None)
        assert row["B2.probe (umho/cm)"] == pytest.approx(float(want["B2.probe (umho/cm)"]), rel=1e-6)
        assert row["B1.valve_command"] == want["B1.valve_command"]
    assert book["Alarms"].max_row == len(exported["alarms"]) + 1
    assert book["Blows"].max_row == len(exported["blows"]) + 1
    said = " ".join(str(c.value) for row in book["Summary"].iter_rows() for c in row if c.value)
    assert "no safety device" in said
    assert "Quillmarsh Creamery" in said
    assert "B1.interlock closed: running; B1.low_water closed: low;" in said


def test_more_rows_than_a_sheet_holds_go_on_on_the_next(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(xlsx_export, "SHEET_ROWS", 500)
    with Reader(creamery_store()) as reader:
        path = export_xlsx(reader, PLANT, START, END + 1, tmp_path / "visit.xlsx")
    book = openpyxl.load_workbook(path)
    pages = [n for n in book.sheetnames if n.startswith("Readings")]
    assert pages == ["Readings", "Readings 2", "Readings 3"]
    assert sum(book[n].max_row - 1 for n in pages) == len(RECORDING)


def test_text_that_looks_like_a_formula_is_text(tmp_path: Path) -> None:
    note = Entry(START, 0, "B1", "note", "", "note", "", "", evidence='=HYPERLINK("http://x")', by="+1 Kim")
    row = dict(zip(ALARM_HEADS, alarm_row(note, PLANT, ZONE), strict=True))
    assert row["evidence"] == note.evidence
    from daemon.report.csv_export import _cell

    assert _cell(row["evidence"]) == "'" + note.evidence
    assert _cell(row["by"]) == "'+1 Kim"
    assert _cell(-3.5) == "-3.5"


def test_numbers_and_instants_keep_what_people_compare() -> None:
    from daemon.report.csv_export import _cell

    assert _cell(12_345_678.9) == "12345678.9"  # US gallons of some years, to hold against the dial
    assert _cell(2499.9999999999995) == "2500"
    # polls of 100 ms stay apart
    assert _cell(site_time(1_790_000_000_100, ZONE)) == "2026-09-21T09:13:20.100-05:00"
    assert _cell(site_time(1_790_000_000_000, ZONE)) == "2026-09-21T09:13:20-05:00"


def test_numbers_of_the_workbook_show_decimals_by_their_unit(tmp_path: Path) -> None:
    with Reader(creamery_store()) as reader:
        path = export_xlsx(reader, PLANT, START, END + 1, tmp_path / "visit.xlsx")
    book = openpyxl.load_workbook(path)
    page = book["Readings"]
    formats = {page.cell(1, c).value: page.cell(3, c).number_format for c in range(1, page.max_column + 1)}
    assert formats["B2.probe (umho/cm)"] == "#,##0.0"
    assert formats["makeup.total (US gal)"] == "#,##0.0"
    assert formats["makeup.pulses"] == "General"
    assert formats["time"] == "yyyy-mm-dd hh:mm:ss"
    alarms = book["Alarms"]
    assert alarms.max_row > 1
    assert alarms["B2"].number_format == "General"  # an alarm's number, as it is typed to acknowledge it


def test_a_failed_export_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(self: Sheet, *args: object) -> None:
        raise OSError("the disk went away")

    monkeypatch.setattr(Sheet, "rows", broken)
    with Reader(creamery_store()) as reader, pytest.raises(OSError, match="went away"):
        export_csv(reader, PLANT, START, END, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_workbook_that_fails_half_way_leaves_nothing_behind_nor_in_the_temporary_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scratch, out = tmp_path / "scratch", tmp_path / "out"
    scratch.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(scratch))
    seen: list[Path] = []

    def gone(n: int) -> None:
        seen.extend(p for p in scratch.rglob("*") if p.is_file())
        raise OSError("the stick was pulled out")

    with Reader(creamery_store()) as reader, pytest.raises(OSError, match="pulled out"):
        export_xlsx(reader, PLANT, START, END, out / "visit.xlsx", gone)
    assert seen
    assert list(out.iterdir()) == []
    assert list(scratch.iterdir()) == []
