"""Days of meters in exports: 25 and 23 hours, the day so far, days of an outage, a day asked for alone."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest
from pytest import approx

from config import units
from daemon.app.exporting import export_files
from daemon.core.scan import Group
from tests.support.small_store import cond, counted, every, store

MINUTES = 60_000
GAL = units.GAL_M3


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text + "+00:00").timestamp() * 1000)


def steady(at_ms: int, n: int) -> list[Group]:
    """A pulse of 100 L every ten minutes."""
    return every(at_ms, 10 * MINUTES, [counted(cond(2900), 100 + k, 1, 1) for k in range(n)])


def days(path: Path, start: str = "-30d", end: str = "now") -> list[dict[str, str]]:
    export_files(path, start, end, "csv", path.parent / "out")
    with (path.parent / "out" / "days.csv").open(encoding="utf-8", newline="") as f:
        return list(csv.DictReader(f))


@pytest.mark.parametrize(
    ("begin", "day", "hours"),
    [("2026-10-31 05:00", "2026-11-01", 25), ("2026-03-07 06:00", "2026-03-08", 23)],
)
def test_days_on_which_the_clock_is_set(tmp_path: Path, begin: str, day: str, hours: int) -> None:
    path = store(tmp_path / "w.db", steady(utc(begin), 6 * (24 + hours + 2) + 1))
    first, second, third = days(path)
    assert (second["day"], second["meter"], second["unit"], second["hours"]) == (day, "makeup", "US gal", str(hours))
    assert float(second["total"]) * GAL == approx(6 * hours * 0.1)
    assert (second["so far until"], second["remark"]) == ("", "")
    assert first["remark"] == "day not seen whole: at least this"
    assert float(third["total"]) * GAL == approx(1.2)
    assert third["so far until"][11:16] == "02:00"
    # a day asked for alone is whole: what ended it stands just behind it
    (alone,) = days(path, day, day)
    assert alone == second


def test_days_of_an_outage_have_a_row_each(tmp_path: Path) -> None:
    watched = steady(utc("2026-11-20 06:00"), 7)
    hours = 60
    last = replace(
        watched[-1],
        number=8,
        at_ms=watched[-1].at_ms + hours * 60 * MINUTES,
        elapsed_ms=watched[-1].elapsed_ms + hours * 60 * MINUTES,
        gap_ms=hours * 60 * MINUTES - 10 * MINUTES,
        scans=(counted(cond(2900), 106 + 6 * hours, 1, 1),),
    )
    found = days(store(tmp_path / "w.db", [*watched, last]))
    assert [d["day"] for d in found] == ["2026-11-20", "2026-11-21", "2026-11-22"]
    assert float(found[1]["total"]) * GAL == approx(14.4)
    assert found[1]["remark"] == "a gap over midnight is shared by time"
    assert sum(float(d["total"]) for d in found) * GAL == approx(36.6)


def test_the_workbook_has_them_too(tmp_path: Path) -> None:
    path = store(tmp_path / "w.db", steady(utc("2026-11-20 06:00"), 6 * 25))
    (file,) = export_files(path, "-30d", "now", "xlsx", tmp_path / "out")
    heads, *rows = openpyxl.load_workbook(file)["Days"].iter_rows(values_only=True)
    assert heads == ("day", "meter", "total", "unit", "hours", "so far until", "remark")
    assert [r[0] for r in rows] == ["2026-11-20", "2026-11-21"]
    assert rows[0][2] * GAL == approx(14.4)
