"""Published tables by pressure warn and never judge: bands and values against the rows they were copied from."""

from __future__ import annotations

import pytest

from config.limits import conductivity_limits
from config.load import loads
from config.published import PSI_KPA, SHELL, WATER_TUBE, published
from tests.support.findings import SMALLEST, changed, findings
from tests.support.published import Row, rows, table

READ = [r for r in rows("boiler_limits", "unneutralised conductivity limit at 25 C") if r.status == "read"]


def bounds(row: Row) -> tuple[float, float]:
    """Of "drum pressure=301-450 psig (...)": its ends in psig."""
    bottom, top = row.text.split("=")[1].split(" psig")[0].split("-")
    return float(bottom), float(top)


@pytest.mark.parametrize("row", READ, ids=str)
def test_the_upper_end_of_each_printed_band(row: Row) -> None:
    """BL-003, BL-007 ... BL-031; the third band is headed 541-600 in the reprint, a misprint (BL-036)."""
    for psig in bounds(row):
        (found,) = (p for p in published(psig * PSI_KPA) if p.source.startswith("ASME"))
        assert found.most == max(row.numbers), row


def test_every_band_that_was_read_is_there_once() -> None:
    assert len(READ) == len(WATER_TUBE) == 8


@pytest.mark.parametrize("name", ["BL-037", "BL-038", "BL-039", "BL-040"])
def test_band_lookups_of_the_reference_set(name: str) -> None:
    row = table("boiler_limits")[name]
    most, least = row.expected.rsplit("conductivity ", 1)[1].split("-")
    (found,) = (p for p in published(row.inputs["drum pressure"] * PSI_KPA) if p.source.startswith("ASME"))
    assert found.most == float(most) > float(least), row


def test_pressures_between_the_units_of_the_table() -> None:
    """BL-041 ... BL-044: psi in MPa."""
    for name in ("BL-041", "BL-042", "BL-043", "BL-044"):
        row = table("boiler_limits")[name]
        psi = float(row.text.split()[0])
        assert psi * PSI_KPA / 1000 == pytest.approx(row.number, abs=1e-4), row


def test_the_shell_boiler_table_says_that_it_was_not_read() -> None:
    row = table("boiler_limits")["BL-063"]
    assert row.status == "memory" and "from memory" in SHELL[0].source
    assert SHELL[0].most == row.number and SHELL[0].up_to_kpa == 2000  # 20 bar


WIDE = "".join(
    line
    for line in SMALLEST.replace("0..5000 uS/cm", "0..20000 uS/cm").splitlines(keepends=True)
    if not line.startswith(("high =", "very_high =", "low ="))
)


def warned(text: str) -> list[str]:
    return [f.text for f in findings(text) if f.level == "warning" and "published table" in f.text]


def test_a_set_point_above_a_table_is_a_warning_with_its_source_and_changes_no_limit() -> None:
    assert warned(SMALLEST) == []
    text, found = changed(WIDE, ('set_point = "3000 uS/cm"', 'set_point = "5500 uS/cm"'))
    (told,) = (f for f in found if "published table" in f.text)
    assert (told.key, told.level) == ("boiler B1 conductivity.set_point", "warning")
    assert "set point 5500 umho/cm is above a published table: at most 5400 umho/cm at 0 to 300 psig" in told.text
    assert "ASME Consensus" in told.text and "EN 12953" not in told.text
    assert "the boiler maker and the water specialist say which limit holds" in told.text
    assert conductivity_limits(loads(text).plant.boilers[0]).high == pytest.approx(6050)
    text, found = changed(WIDE, ('set_point = "3000 uS/cm"', 'set_point = "6500 uS/cm"'))
    (both,) = warned(text)
    assert both.index("5400 umho/cm") < both.index("6000 umho/cm") and "from memory" in both


def test_a_proposed_limit_above_a_table_is_said_to_be_proposed() -> None:
    text = WIDE.replace('set_point = "3000 uS/cm"', 'set_point = "4990 uS/cm"')
    (told,) = warned(text)
    assert told.startswith("high 5489 umho/cm (proposed) is above a published table")


def test_readings_of_neutralised_water_are_not_set_beside_tables_of_unneutralised() -> None:
    text = WIDE.replace('set_point = "3000 uS/cm"', 'set_point = "9000 uS/cm"')
    assert len(warned(text)) == 1
    assert warned(text.replace('signal = "held"', 'neutralised = true\nsignal = "held"')) == []


def test_beyond_the_tables_nothing_is_said() -> None:
    assert published(2001 * PSI_KPA) == ()
