"""Quantities as written, against published conversions and exact definitions."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config import units
from config.units import QuantityError, quantity, show, shown
from tests.support.published import table

WATER, CONDUCTIVITY, BLOWDOWN, STEAM = (table(n) for n in ("water_meters", "conductivity", "blowdown", "steam"))


@pytest.mark.parametrize(
    ("row", "text", "kind", "per"),
    [
        (WATER["WM-020"], "1 gal", "volume", 0.001),
        (WATER["WM-021"], "1 ft3", "volume", units.GAL_M3),
        (WATER["WM-022"], "1 m3", "volume", units.GAL_M3),
        (CONDUCTIVITY["CO-122"], "12.88 mS/cm", "conductivity", 1.0),
        (CONDUCTIVITY["CO-123"], "141.3 mS/m", "conductivity", 1.0),
    ],
    ids=lambda x: getattr(x, "id", None),
)
def test_conversions_that_are_published(row: object, text: str, kind: str, per: float) -> None:
    """water_meters.csv and conductivity.csv; the rows name the exact definitions they rest on."""
    assert quantity(text, kind) / per == pytest.approx(getattr(row, "number"), rel=1e-6)  # noqa: B009


def test_conductivity_identities() -> None:
    """CO-121: 1 mS/m = 10 umho/cm, 1 uS/cm = 1 umho/cm."""
    assert CONDUCTIVITY["CO-121"].expected == "1 mS/m = 10 umho/cm; 1 uS/cm = 1 umho/cm"
    assert quantity("1 mS/m", "conductivity") == quantity("10 umho/cm", "conductivity")
    assert quantity("1 uS/cm", "conductivity") == quantity("1 umho/cm", "conductivity")
    assert quantity("1 mmho/cm", "conductivity") == quantity("1 mS/cm", "conductivity")


def test_boiler_horsepower() -> None:
    """BD-036: 34.5 lb/h from and at 212 degF."""
    assert "34.5 lb/h" in BLOWDOWN["BD-036"].expected
    assert quantity("100 bhp", "mass flow") == pytest.approx(quantity("3450 lb/h", "mass flow"))


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [  # from the exact definitions of inch (25.4 mm), pound (0.45359237 kg), US gallon (231 in3), g (9.80665 m/s2)
        ("1 psig", "pressure", 6.894757293168361),
        ("1 gpm", "volume flow", 0.227124707040),
        ("1 gph", "volume flow", 0.003785411784),
        ("24 gpd", "volume flow", 0.003785411784),
        ("1 ccf", "volume", 2.8316846592),
        ("1000 mL/min", "volume flow", 0.06),
        ("16 oz", "mass", 0.45359237),
        ("1 klb/h", "mass flow", 453.59237),
        ("2 t/h", "mass flow", 2000.0),
        ("128 fl oz", "volume", 0.003785411784),
        ("1 MMBtu", "energy", 293.07107017222),
        ("10 therm", "energy", 293.07107017222),
        ("1 Btu", "energy", 2.9307107017222e-4),
        ("212 °F", "temperature", 100.0),
        ("-40 °F", "temperature", -40.0),
        ("1 gpg", "hardness", 64.79891 / 3.785411784),
        ("1 grain", "hardness", 64.79891 / 3.785411784),
        ("1 °dH", "hardness", 10 * 100.0869 / 56.0774),
        ("1 mmol/L", "hardness", 100.0869),
        ("5 ppm as CaCO3", "hardness", 5.0),
        ("2 barg", "pressure", 200.0),
        ("27.68 inWC", "pressure", 6.8948),  # 27.68 in of water to the psi: common practice, no source
        ("1 h", "time", 3600.0),
        ("1.5 min", "time", 90.0),
        ("250 ms", "time", 0.25),
        ("10 %", "ratio", 10.0),
        ("4000 uA", "current", 4.0),
        ("1_000 L", "volume", 1.0),
        ("3000uS/cm", "conductivity", 3000.0),
        ("3 \u03bcS/cm", "conductivity", 3.0),  # Greek mu, as keyboards and spreadsheets give it
        ("3 m³", "volume", 3.0),
        ("1000 ft", "length", 304.8),
    ],
)
def test_each_unit(text: str, kind: str, value: float) -> None:
    assert quantity(text, kind) == pytest.approx(value, rel=1e-5)


def test_every_kind_has_a_base_unit_of_factor_one_and_an_example() -> None:
    for kind, names in units.UNITS.items():
        base = names[units.BASE[kind]]
        assert (base.factor, base.offset, base.absolute) == (1.0, 0.0, False)
        quantity(units.EXAMPLE[kind], kind)


def test_no_unit_measures_two_kinds() -> None:
    names = [name for names in units.UNITS.values() for name in names]
    assert len(names) == len(set(names))


def test_air_pressure_thins_with_height() -> None:
    """ISO 2533 standard atmosphere (figures from memory): 89.87 kPa at 1000 m, 79.50 kPa at 2000 m."""
    assert units.atmosphere(0) == 101.325
    assert units.atmosphere(1000) == pytest.approx(89.87, abs=0.02)
    assert units.atmosphere(2000) == pytest.approx(79.50, abs=0.02)


def test_an_absolute_pressure_is_gauge_by_the_air_of_the_site() -> None:
    """The atmosphere of ST-028 is 14.696 psia, which is 101.325 kPa."""
    assert "14.696 psia" in STEAM["ST-028"].text
    assert quantity("14.696 psia", "pressure") == pytest.approx(0, abs=0.002)
    assert quantity("10 bara", "pressure", atmosphere_kpa=80.0) == pytest.approx(920.0)


@pytest.mark.parametrize(
    ("value", "kind", "us", "si"),
    [
        (3000.0, "conductivity", "3000 umho/cm", "3000 uS/cm"),
        (827.370875, "pressure", "120 psig", "8.274 barg"),
        (100.0, "temperature", "212 °F", "100 °C"),
        (3.785411784, "volume", "1000 US gal", "3.785 m3"),
        (0.22712470704, "volume flow", "1 gpm", "0.2271 m3/h"),
        (45359.237, "mass flow", "100000 lb/h", "45359 kg/h"),
        (90.0, "time", "90 s", "90 s"),
        (7.2, "", "7.2", "7.2"),
    ],
)
def test_values_are_shown_as_the_plant_reads_them(value: float, kind: str, us: str, si: str) -> None:
    assert (shown(value, kind, "us"), shown(value, kind, "si")) == (us, si)


@given(st.sampled_from(sorted(units.UNITS)), st.sampled_from(["us", "si"]), st.floats(-1e9, 1e9))
def test_what_is_shown_reads_back(kind: str, system: units.System, value: float) -> None:
    number, unit = show(value, kind, system)
    assert units.in_base(number, unit) == pytest.approx(value, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "kind", "words"),
    [
        (5, "time", 'wants text with a unit, like "10 s"; found 5'),
        ("fast", "time", 'wants a number and a unit, like "10 s"; found "fast"'),
        ("10", "time", 'wants a unit of time: ms, s, min, h, d; found "10", without one'),
        ("10 S", "time", 'wants a unit of time: ms, s, min, h, d; found "10 S"; did you mean `s`?'),
        ("-1 s", "time", 'wants 0 or more; found "-1 s"'),
        ("1e999 s", "time", 'wants a finite number; found "1e999 s"'),
        ("1,000 L", "volume", "wants a unit of volume: "),
    ],
)
def test_what_cannot_be_read_is_said(text: object, kind: str, words: str) -> None:
    with pytest.raises(QuantityError) as e:
        quantity(text, kind)
    assert words in str(e.value)


@given(st.text(), st.sampled_from(sorted(units.UNITS)))
def test_any_text_is_a_finite_number_or_an_error(text: str, kind: str) -> None:
    try:
        assert math.isfinite(quantity(text, kind))
    except QuantityError as e:
        assert "wants" in str(e)
