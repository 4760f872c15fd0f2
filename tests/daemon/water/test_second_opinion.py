"""Water and steam by another library and another formulation: CoolProp's IAPWS-95, beside our IAPWS-IF97.

The two formulations agree within their uncertainties, some hundredths of a percent on density and enthalpy here.
"""

from __future__ import annotations

import pytest
from CoolProp.CoolProp import PropsSI

from config.units import ATMOSPHERE_KPA
from daemon.water.flow import choked_flux
from daemon.water.steam import (
    flash_fraction,
    liquid_density,
    liquid_enthalpy,
    saturation_temperature,
    steam_enthalpy,
    water_density,
)

GAUGES = (0.0, 35.0, 103.4, 500.0, 827.4, 1034.2, 1700.0, 4000.0)  # kPa: heating boilers to 40 barg


def pascal(gauge_kpa: float) -> float:
    return (gauge_kpa + ATMOSPHERE_KPA) * 1000


def other(what: str, *state: object) -> float:
    return float(PropsSI(what, *state, "Water"))


@pytest.mark.parametrize("gauge", GAUGES)
def test_saturated_water_and_steam(gauge: float) -> None:
    p = pascal(gauge)
    assert saturation_temperature(gauge) == pytest.approx(other("T", "P", p, "Q", 0) - 273.15, abs=0.03)
    assert liquid_enthalpy(gauge) == pytest.approx(other("H", "P", p, "Q", 0) / 1000, rel=3e-4)
    assert steam_enthalpy(gauge) == pytest.approx(other("H", "P", p, "Q", 1) / 1000, rel=3e-4)
    assert liquid_density(gauge) == pytest.approx(other("D", "P", p, "Q", 0), rel=2e-4)


@pytest.mark.parametrize("gauge", GAUGES[1:])
def test_flash_steam(gauge: float) -> None:
    h, p0 = other("H", "P", pascal(gauge), "Q", 0), pascal(0)
    assert flash_fraction(gauge) == pytest.approx(other("Q", "P", p0, "H", h), abs=2e-4)


@pytest.mark.parametrize("celsius", [0.5, 15.0, 16.0, 49.0, 60.0, 90.0, 99.0])
def test_the_density_that_turns_a_meters_volume_into_mass(celsius: float) -> None:
    assert water_density(celsius) == pytest.approx(other("D", "T", celsius + 273.15, "P", pascal(0)), rel=2e-4)


@pytest.mark.parametrize("celsius", [104.0, 130.0, 180.0])
def test_the_density_of_hot_feedwater_is_that_just_below_boiling(celsius: float) -> None:
    assert water_density(celsius) == pytest.approx(other("D", "T", celsius + 273.15, "Q", 0), rel=2e-4)


@pytest.mark.parametrize("gauge", GAUGES[2:])
def test_choked_flow_is_the_most_that_any_throat_passes(gauge: float) -> None:
    p = pascal(gauge)
    h, s = other("H", "P", p, "Q", 0), other("S", "P", p, "Q", 0)
    found = []
    for k in range(1, 400):  # a plain search, no golden section
        throat = p * (1 - k / 800)
        moved = h - other("H", "P", throat, "S", s)
        found.append((2 * moved) ** 0.5 * other("D", "P", throat, "S", s))
    assert choked_flux(gauge) == pytest.approx(max(found), rel=2e-3)
