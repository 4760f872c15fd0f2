"""Saturated water and steam by IAPWS-IF97.

Pure. Pressures kPa gauge and °C outside; the library (imported where used) wants MPa absolute and answers out of
range with large negative numbers, which become ValueError here.
"""

from __future__ import annotations

from config.units import ATMOSPHERE_KPA

_BAD = -1000.0  # seuif97 answers -2100, -2201 or -9999


def saturation_temperature(gauge_kpa: float, atmosphere_kpa: float = ATMOSPHERE_KPA) -> float:
    """Boiling temperature in °C at a gauge pressure in kPa; ValueError outside 0.611 kPa to 22.064 MPa absolute."""
    return _saturated(gauge_kpa, atmosphere_kpa, 0.0, "t")


def liquid_enthalpy(gauge_kpa: float, atmosphere_kpa: float = ATMOSPHERE_KPA) -> float:
    """Enthalpy of saturated water in kJ/kg."""
    return _saturated(gauge_kpa, atmosphere_kpa, 0.0, "h")


def steam_enthalpy(gauge_kpa: float, atmosphere_kpa: float = ATMOSPHERE_KPA) -> float:
    """Enthalpy of saturated steam in kJ/kg."""
    return _saturated(gauge_kpa, atmosphere_kpa, 1.0, "h")


def liquid_density(gauge_kpa: float, atmosphere_kpa: float = ATMOSPHERE_KPA) -> float:
    """Density of saturated water in kg/m3."""
    return 1 / _saturated(gauge_kpa, atmosphere_kpa, 0.0, "v")


def water_density(celsius: float, gauge_kpa: float = 0.0, atmosphere_kpa: float = ATMOSPHERE_KPA) -> float:
    """Density in kg/m3 of liquid water at 0 to 370 °C and a gauge pressure in kPa; where it would boil at that
    pressure, of water just kept from boiling. Pressure hardly matters: 0.05 % for 1000 kPa. ValueError outside.
    """
    import seuif97

    if not 0 <= celsius <= 370:
        raise ValueError(f"water is liquid from 0 to 370 °C; found {celsius:g} °C")
    p = (gauge_kpa + atmosphere_kpa) / 1000
    saturated = float(seuif97.tx2v(celsius, 0.0))
    boils = p <= float(seuif97.tx2p(celsius, 0.0))
    return 1 / (saturated if boils else float(seuif97.pt2v(p, celsius)))


def flash_fraction(from_kpa: float, to_kpa: float = 0.0, atmosphere_kpa: float = ATMOSPHERE_KPA) -> float:
    """The share by mass of saturated water that turns to steam when let down from one gauge pressure to another."""
    low = liquid_enthalpy(to_kpa, atmosphere_kpa)
    return (liquid_enthalpy(from_kpa, atmosphere_kpa) - low) / (steam_enthalpy(to_kpa, atmosphere_kpa) - low)


def _saturated(gauge_kpa: float, atmosphere_kpa: float, dryness: float, what: str) -> float:
    import seuif97

    ask = {"t": seuif97.px2t, "h": seuif97.px2h, "v": seuif97.px2v}[what]
    got = float(ask((gauge_kpa + atmosphere_kpa) / 1000, dryness))
    if not got > _BAD:
        raise ValueError(
            f"water boils between 0.611 kPa and 22.064 MPa absolute; found {gauge_kpa + atmosphere_kpa:g} kPa absolute"
        )
    return got
