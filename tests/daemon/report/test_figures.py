"""Derived figures in exports: with their units, words and quality; in the workbook with what they are."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from daemon.core.tags import derived_tags
from daemon.report.csv_export import export_csv
from daemon.report.readings import Sheet
from daemon.report.xlsx_export import export_xlsx
from daemon.store.reader import Reader
from drivers.demo.scenario import DEFAULT_START_MS as START
from tests.support.creamery_store import creamery_store
from tests.support.recordings import creamery

PLANT = creamery().plant


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, str]]]:
    out = tmp_path_factory.mktemp("csv")
    with Reader(creamery_store()) as reader:
        export_csv(reader, PLANT, START, START + 4 * 3_600_000, out)
    found = {}
    for name in ("readings", "blows"):
        with (out / f"{name}.csv").open(encoding="utf-8", newline="") as f:
            found[name] = list(csv.DictReader(f))
    return found


def test_figures_stand_between_two_reckonings_with_their_quality(exported: dict[str, list[dict[str, str]]]) -> None:
    rows = exported["readings"]
    assert rows[0]["B1.cycles_apparent"] == ""
    assert rows[0]["B1.cycles_apparent quality"] == "bad: nothing read yet"
    later = rows[-1]
    assert 4 < float(later["B1.cycles_apparent"]) < 8
    assert later["B1.cycles_apparent quality"] == "uncertain: less than a day watched"
    assert float(later["blowdown.of_steam (%)"]) > float(later["blowdown.of_feedwater (%)"]) > 5
    assert later["polymer.pacing"] == "as paced"
    assert 1 < float(later["scavenger.fed (US gal)"]) < 4
    assert float(later["scavenger.dose (fl oz/1000 US gal)"]) > 10


def test_a_blow_has_its_mass_in_the_row_of_its_end_and_in_its_own_table(
    exported: dict[str, list[dict[str, str]]],
) -> None:
    with_mass = [r for r in exported["readings"] if r["B1.blow_mass (lb)"]]
    blows = [b for b in exported["blows"] if b["boiler"] == "B1"]
    assert [float(r["B1.blow_mass (lb)"]) for r in with_mass] == pytest.approx([float(b["blown down"]) for b in blows])
    assert {b["mass told by"] for b in blows} == {"flow of the open valve and open time"}
    assert {b["mass unit"] for b in blows} == {"lb"}


def test_every_figure_has_a_column_of_its_own_and_one_for_its_quality() -> None:
    heads = [c.head for c in Sheet(PLANT, lambda version: PLANT).columns]
    for t in derived_tags(PLANT):
        if t.figure:
            at = next(i for i, head in enumerate(heads) if head.split(" (")[0] == t.name)
            assert heads[at + 1] == f"{t.name} quality"


def test_the_workbook_says_what_each_figure_is(tmp_path: Path) -> None:
    import zipfile

    with Reader(creamery_store()) as reader:
        book = export_xlsx(reader, PLANT, START, START + 600_000, tmp_path / "b.xlsx")
    with zipfile.ZipFile(book) as z:
        text = "".join(z.read(n).decode() for n in z.namelist() if n.endswith(".xml"))
    assert "cycles of concentration, apparent (by conductivity)" in text
    assert "that chemical was fed it does not show" in text
