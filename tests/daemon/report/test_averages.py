"""Averages of hours and days, held against the readings that a plain export shows of the same time."""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from openpyxl import load_workbook
from typer.testing import CliRunner

from daemon.app.commands import app
from daemon.app.exporting import export_files
from daemon.core.reasons import QUALITY, WORDS, Quality
from tests.support.creamery_store import creamery_store

BAD = {WORDS[n] for n, q in QUALITY.items() if q is Quality.BAD}
ZONE = ZoneInfo("America/Chicago")


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def begin(text: str, each: str) -> str:
    at = datetime.fromisoformat(text).astimezone(ZONE)
    cut = at.replace(minute=0, second=0, microsecond=0)
    return (cut if each == "hour" else cut.replace(hour=0)).isoformat()


@pytest.mark.parametrize("each", ["hour", "day"])
def test_they_are_those_of_the_readings(tmp_path: Path, each: str) -> None:
    store = creamery_store()
    export_files(store, "-24h", "now", "csv", tmp_path / "full")
    assert each in ("hour", "day")
    export_files(store, "-24h", "now", "csv", tmp_path, "hour" if each == "hour" else "day")
    full, short = rows(tmp_path / "full" / "readings.csv"), rows(tmp_path / f"averages_{each}.csv")
    assert [r["from"] for r in short] == sorted({begin(r["time"], each) for r in full})
    for tag in ("B1.probe", "B2.probe"):
        head = f"{tag} (umho/cm)"
        values: dict[str, list[float]] = defaultdict(list)
        good: dict[str, list[bool]] = defaultdict(list)
        for r in full:
            quality = r[f"{tag} quality"]
            good[begin(r["time"], each)].append(quality == "good")
            if r[head] and quality not in BAD:
                values[begin(r["time"], each)].append(float(r[head]))
        for r in short:
            inside = values[r["from"]]
            assert float(r[f"{tag} least (umho/cm)"]) == min(inside)
            assert float(r[f"{tag} greatest (umho/cm)"]) == max(inside)
            assert float(r[f"{tag} mean (umho/cm)"]) == pytest.approx(math.fsum(inside) / len(inside), rel=1e-8)
            told = good[r["from"]]
            assert float(r[f"{tag} good (%)"]) == pytest.approx(100 * sum(told) / len(told))
    closed: dict[str, list[bool]] = defaultdict(list)
    for r in full:
        closed[begin(r["time"], each)].append(r["B1.valve_command"] == "closed")
    for r in short:
        told = closed[r["from"]]
        assert float(r["B1.valve_command closed (%)"]) == pytest.approx(100 * sum(told) / len(told))
    assert short[-1]["makeup.total last (US gal)"] == full[-1]["makeup.total (US gal)"]
    assert short[-1]["B1.state last"] == "steaming"


def test_the_workbook_has_a_sheet_of_them(tmp_path: Path) -> None:
    (path,) = export_files(creamery_store(), "-24h", "now", "xlsx", tmp_path, "hour")
    book = load_workbook(path, read_only=True)
    assert "Averages by the hour" in book.sheetnames
    assert "Readings" not in book.sheetnames
    assert len(list(book["Averages by the hour"].rows)) == 5
    book.close()


@pytest.mark.parametrize("words", [("--hourly", "--daily"), ("--daily", "--format", "raw")])
def test_what_cannot_be_is_refused(words: tuple[str, ...]) -> None:
    done = CliRunner().invoke(app, ["export", *words, "--store", str(creamery_store())])
    assert done.exit_code == 2
    assert "Give one of" in done.output
