"""Saturated water and steam, against tests/reference/steam.csv (computed with another library)."""

from __future__ import annotations

import re

import pytest

from config import units
from daemon.water.steam import (
    flash_fraction,
    liquid_density,
    liquid_enthalpy,
    saturation_temperature,
    steam_enthalpy,
    water_density,
)
from tests.support.published import Row, rows, table

BTU_LB = 2.326  # kJ/kg
ST, BD = table("steam"), table("blowdown")


def gauge(text: str) -> float:
    """ "150 psig", "7 bar gauge" or "800 kPa absolute" in kPa gauge."""
    if text.endswith("absolute"):
        return units.quantity(text.replace("kPa absolute", "kPaa"), "pressure")
    return units.quantity(text.replace("bar gauge", "barg"), "pressure")


def pressures(row: Row) -> list[float]:
    return [gauge(m) for m in re.findall(r"[\d.]+ (?:psig|bar gauge|kPa absolute)", row.text)]


@pytest.mark.parametrize("row", [ST["ST-021"], ST["ST-022"]], ids=str)
def test_saturation_temperature_of_the_release(row: Row) -> None:
    kpa = row.inputs["p"] * 1000
    assert saturation_temperature(kpa, 0.0) + 273.15 == pytest.approx(row.number, rel=1e-8)


@pytest.mark.parametrize("row", rows("steam", "saturation temperature, hf, hfg, hg"), ids=str)
def test_saturated_steam_in_us_units(row: Row) -> None:
    (p,) = pressures(row)
    t, hf, hfg, hg = row.numbers
    assert saturation_temperature(p) * 1.8 + 32 == pytest.approx(t, abs=0.1)
    assert liquid_enthalpy(p) / BTU_LB == pytest.approx(hf, abs=0.1)
    assert steam_enthalpy(p) / BTU_LB == pytest.approx(hg, abs=0.1)
    assert (steam_enthalpy(p) - liquid_enthalpy(p)) / BTU_LB == pytest.approx(hfg, abs=0.1)


@pytest.mark.parametrize("row", rows("steam", "saturation temperature, hf, hfg, liquid density"), ids=str)
def test_saturated_steam_in_si_units(row: Row) -> None:
    (p,) = pressures(row)
    t, hf, hfg, density = row.numbers
    assert saturation_temperature(p) == pytest.approx(t, abs=0.05)
    assert liquid_enthalpy(p) == pytest.approx(hf, abs=0.2)
    assert steam_enthalpy(p) - liquid_enthalpy(p) == pytest.approx(hfg, abs=0.2)
    assert liquid_density(p) == pytest.approx(density, abs=0.2)


@pytest.mark.parametrize("row", rows("steam", "flash steam by mass"), ids=str)
def test_flash_steam(row: Row) -> None:
    found = pressures(row)
    assert len(found) == 2
    tolerance = float(row.tolerance)
    assert flash_fraction(*found) * 100 == pytest.approx(row.number, abs=tolerance)


@pytest.mark.parametrize("row", [ST["ST-019"], ST["ST-020"]], ids=str)
def test_the_boiling_temperature_at_the_saturation_pressure_of_the_release(row: Row) -> None:
    assert saturation_temperature(row.number * 1000, 0.0) + 273.15 == pytest.approx(row.inputs["T"], rel=1e-8)


@pytest.mark.parametrize("row", [ST["ST-001"], ST["ST-006"]], ids=str)
def test_the_density_of_liquid_water_of_the_release(row: Row) -> None:
    found = water_density(row.inputs["T"] - 273.15, row.inputs["p"] * 1000, 0.0)
    assert found == pytest.approx(1 / row.number, rel=1e-8)


@pytest.mark.parametrize(
    ("row", "start", "end"), [(ST["ST-044"], "250 psig", "30 psig"), (ST["ST-054"], "100 psig", "0 psig")], ids=str
)
def test_flash_steam_of_the_rows_in_words(row: Row, start: str, end: str) -> None:
    assert flash_fraction(gauge(start), gauge(end)) * 100 == pytest.approx(row.number, abs=float(row.tolerance))


def test_the_heat_in_blowdown() -> None:
    # BD-010, BD-014, BD-018, BD-030, BD-031: US DOE tip sheets and their arithmetic
    hf = {p: liquid_enthalpy(gauge(p)) / BTU_LB for p in ("150 psig", "100 psig")}
    assert saturation_temperature(gauge("150 psig")) * 1.8 + 32 == pytest.approx(BD["BD-018"].number, abs=1)
    assert hf["150 psig"] - 28 == pytest.approx(BD["BD-014"].number, abs=0.1)
    of_steam, of_feedwater = BD["BD-010"].numbers[0], BD["BD-010"].numbers[3]
    for pounds, found in ((6000, of_steam), (6383, of_feedwater)):
        assert pounds * (hf["150 psig"] - 28) * 0.9 / 1e6 == pytest.approx(found, abs=0.002)
    for row, p in ((BD["BD-030"], "150 psig"), (BD["BD-031"], "100 psig")):
        assert row.inputs["blowdown"] * (hf[p] - 28.06) == pytest.approx(row.number, rel=0.002)


def test_what_flashing_does_to_a_sample_is_st_058() -> None:
    x = flash_fraction(gauge("150 psig"))
    assert 3000 / (1 - x) == pytest.approx(ST["ST-058"].number, abs=5)


@pytest.mark.parametrize("kpa", [-200.0, -101.3, 22_100.0, 50_000.0])
def test_where_water_does_not_boil_it_says_so(kpa: float) -> None:
    with pytest.raises(ValueError, match="absolute"):
        saturation_temperature(kpa)


@pytest.mark.parametrize(
    ("id", "celsius", "kpa"), [("WM-038", 140 / 9, 0.0), ("WM-039", 940 / 9, units.quantity("30 psig", "pressure"))]
)
def test_a_gallon_of_water_weighs_less_when_hot(id: str, celsius: float, kpa: float) -> None:
    row = table("water_meters")[id]
    tolerance = float(row.tolerance)
    pounds = water_density(celsius, kpa) * units.GAL_M3 / units.LB_KG
    assert pounds == pytest.approx(row.number, abs=tolerance), row
    # and where no pressure is known, as little as it matters
    assert water_density(celsius) * units.GAL_M3 / units.LB_KG == pytest.approx(row.number, abs=tolerance)


@pytest.mark.parametrize("row", [ST["ST-001"]], ids=str)
def test_density_of_the_release(row: Row) -> None:
    assert 1 / water_density(300 - 273.15, 3000, 0.0) == pytest.approx(row.number, rel=1e-8)


@pytest.mark.parametrize("row", rows("steam", "saturation temperature, hf, hfg, liquid density"), ids=str)
def test_water_kept_from_boiling_weighs_what_saturated_water_does(row: Row) -> None:
    celsius, _, _, density = row.numbers
    assert water_density(celsius) == pytest.approx(density, abs=0.2)


def test_density_wants_liquid_water() -> None:
    for celsius in (-1.0, 371.0):
        with pytest.raises(ValueError, match="from 0 to 370 °C"):
            water_density(celsius)
