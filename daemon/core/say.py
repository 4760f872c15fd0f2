"""Values in base units as text in the plant's own units: "3,420 umho/cm". Pure. May import: config."""

from __future__ import annotations

from typing import Final, Literal

from config import units

System = Literal["us", "si"]

_KIND: Final = {
    "uS/cm": "conductivity",
    "kPa": "pressure",
    "°C": "temperature",
    "%": "ratio",
    "m3": "volume",
    "m3/h": "volume flow",
    "kg": "mass",
    "kg/h": "mass flow",
}


_OWN: Final = {
    "m3 gas": (units.FT3_M3, "ft3", "m3"),  # fuel gas is never counted in gallons
    "m3/h gas": (units.FT3_M3, "ft3/h", "m3/h"),
    "L": (1000 * units.GAL_M3, "US gal", "L"),  # of chemical
    "mL/m3": (1000 / 128, "fl oz/1000 US gal", "mL/m3"),
}
"""Units that are no base unit: what one of the US unit is in it, the US unit and the SI one."""
_NEUTRALISED: Final = " (neutralised)"  # part of a unit: what was read of neutralised water is not the same quantity


def in_plant_units(value: float, unit: str, system: System) -> tuple[float, str]:
    """A value in a base unit as the number and unit people of this plant use; other units stay as they are."""
    if unit in _OWN:
        factor, us, si = _OWN[unit]
        return (value / factor, us) if system == "us" else (value, si)
    bare, label = (unit.removesuffix(_NEUTRALISED), _NEUTRALISED) if unit.endswith(_NEUTRALISED) else (unit, "")
    kind = _KIND.get(bare, "")
    if kind and label:
        number, shown = units.show(value, kind, system)
        return number, shown + label
    return units.show(value, kind, system) if kind else (value, unit)


def say(value: float, unit: str, system: System) -> str:
    """A value in a base unit (or in a unit of its own, left as it is) as people of this plant write it."""
    number, shown = in_plant_units(value, unit, system)
    return f"{units.plain(number)} {shown}".rstrip()


def minutes(ms: int) -> str:
    """A length of time in words: "40 s", "12 min", "3 h 05 min"."""
    s = round(ms / 1000)
    if s < 120:
        return f"{s} s"
    m = round(s / 60)
    return f"{m} min" if m < 120 else f"{m // 60} h {m % 60:02d} min"
