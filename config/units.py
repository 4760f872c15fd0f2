"""Quantities as people write them in a plant file, to the one unit the program reckons in.

Lives here: the table of units and the reading of "120 psig", "8 t", "4..20 mA = 0..5000 uS/cm".
Pure. Imports nothing of ours.

Reckoned in: time s · pressure kPa gauge · conductivity uS/cm at the reference temperature ·
volume m3 · volume flow m3/h · mass kg · mass flow kg/h · hardness mg/L as CaCO3 · energy kWh ·
temperature degC · current mA · ratio % · length m. `BASE` has the same as a table; `show` goes the other way.

Sources: exact definitions of inch, pound and US gallon (231 in3), 9.80665 m/s2, Btu (international table)
1055.05585262 J; grain per US gallon 64.79891 mg / 3.785411784 L; German degree 10 mg/L CaO as CaCO3; the boiler
horsepower is 34.5 lb/h of steam from and at 212 degF (ASME; from memory); inch of water column at 4 degC,
249.08891 Pa (common practice, no source).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

GAL_M3: Final = 231 * 0.0254**3
FT3_M3: Final = 0.3048**3
LB_KG: Final = 0.45359237
PSI_KPA: Final = LB_KG * 9.80665 / 0.0254**2 / 1000
BTU_KWH: Final = 1055.05585262 / 3.6e6
ATMOSPHERE_KPA: Final = 101.325


class QuantityError(ValueError):
    """A quantity that cannot be read; the text says what was found and what is wanted."""


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: value_in_base = value * factor + offset; `absolute` marks pressures above vacuum."""

    factor: float
    offset: float = 0.0
    absolute: bool = False
    bare: bool = False  # a bare "psi", "bar", "kPa": taken as gauge, and said so by `check`


def _u(**units: float) -> dict[str, Unit]:
    return {k: Unit(v) for k, v in units.items()}


UNITS: Final[Mapping[str, Mapping[str, Unit]]] = MappingProxyType(
    {
        "time": {
            "ms": Unit(0.001),
            "s": Unit(1),
            "min": Unit(60),
            "h": Unit(3600),
            "d": Unit(86400),
        },
        "pressure": {
            "psig": Unit(PSI_KPA),
            "psia": Unit(PSI_KPA, absolute=True),
            "psi": Unit(PSI_KPA, bare=True),
            "barg": Unit(100.0),
            "bara": Unit(100.0, absolute=True),
            "bar": Unit(100.0, bare=True),
            "kPag": Unit(1.0),
            "kPaa": Unit(1.0, absolute=True),
            "kPa": Unit(1.0, bare=True),
            "MPag": Unit(1000.0),
            "MPaa": Unit(1000.0, absolute=True),
            "MPa": Unit(1000.0, bare=True),
            "mbar": Unit(0.1, bare=True),
            "inWC": Unit(0.24908891),
        },
        "conductivity": {
            "uS/cm": Unit(1),
            "µS/cm": Unit(1),
            "umho/cm": Unit(1),
            "µmho/cm": Unit(1),
            "mS/cm": Unit(1000),
            "mmho/cm": Unit(1000),
            "mS/m": Unit(10),
        },
        "volume": {
            "L": Unit(0.001),
            "mL": Unit(1e-6),
            "m3": Unit(1),
            "gal": Unit(GAL_M3),
            "US gal": Unit(GAL_M3),
            "fl oz": Unit(GAL_M3 / 128),
            "ft3": Unit(FT3_M3),
            "ccf": Unit(100 * FT3_M3),
        },
        "volume flow": {
            "m3/h": Unit(1),
            "L/h": Unit(0.001),
            "L/d": Unit(0.001 / 24),
            "L/s": Unit(3.6),
            "L/min": Unit(0.06),
            "mL/min": Unit(6e-5),
            "mL/h": Unit(1e-6),
            "m3/d": Unit(1 / 24),
            "gpm": Unit(GAL_M3 * 60),
            "gph": Unit(GAL_M3),
            "gpd": Unit(GAL_M3 / 24),
            "ft3/h": Unit(FT3_M3),
        },
        "mass": {"kg": Unit(1), "t": Unit(1000), "lb": Unit(LB_KG), "oz": Unit(LB_KG / 16), "g": Unit(0.001)},
        "mass flow": {
            "kg/h": Unit(1),
            "t/h": Unit(1000),
            "kg/min": Unit(60),
            "lb/h": Unit(LB_KG),
            "klb/h": Unit(1000 * LB_KG),
            "bhp": Unit(34.5 * LB_KG),
        },
        "hardness": {
            "ppm as CaCO3": Unit(1),
            "mg/L as CaCO3": Unit(1),
            "gpg": Unit(17.118061),
            "grain": Unit(17.118061),
            "°dH": Unit(17.848),
            "dH": Unit(17.848),
            "mmol/L": Unit(100.0869),
        },
        "energy": {
            "kWh": Unit(1),
            "Btu": Unit(BTU_KWH),
            "MMBtu": Unit(BTU_KWH * 1e6),
            "therm": Unit(BTU_KWH * 1e5),
        },
        "temperature": {
            "°C": Unit(1),
            "degC": Unit(1),
            "°F": Unit(5 / 9, -160 / 9),
            "degF": Unit(5 / 9, -160 / 9),
        },
        "current": {"mA": Unit(1), "uA": Unit(0.001), "µA": Unit(0.001)},
        "ratio": {"%": Unit(1)},
        "length": {"m": Unit(1), "mm": Unit(0.001), "ft": Unit(0.3048), "in": Unit(0.0254)},
    }
)

NUMBER: Final = r"[+-]?(?:\d[\d_]*\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_QUANTITY: Final = re.compile(rf"\s*({NUMBER})\s*(.*?)\s*", re.ASCII)
_RANGE: Final = re.compile(rf"\s*({NUMBER})\s*\.\.\s*({NUMBER})\s*(.*?)\s*", re.ASCII)

System = Literal["us", "si"]

BASE: Final[Mapping[str, str]] = MappingProxyType(
    {
        "time": "s",
        "pressure": "kPa",
        "conductivity": "uS/cm",
        "volume": "m3",
        "volume flow": "m3/h",
        "mass": "kg",
        "mass flow": "kg/h",
        "hardness": "ppm as CaCO3",
        "energy": "kWh",
        "temperature": "°C",
        "current": "mA",
        "ratio": "%",
        "length": "m",
    }
)
"""The unit each kind of quantity is reckoned in."""

_SHOWN: Final[Mapping[str, tuple[str, str]]] = MappingProxyType(
    {  # kind: unit for US plants, unit for SI plants; what is not here is shown in its base unit
        "pressure": ("psig", "barg"),
        "conductivity": ("umho/cm", "uS/cm"),
        "volume": ("US gal", "m3"),
        "volume flow": ("gpm", "m3/h"),
        "mass": ("lb", "kg"),
        "mass flow": ("lb/h", "kg/h"),
        "temperature": ("°F", "°C"),
        "energy": ("MMBtu", "kWh"),
        "length": ("ft", "m"),
    }
)


def atmosphere(altitude_m: float) -> float:
    """Air pressure in kPa at a height in m, below 11 km. Source: ISO 2533 standard atmosphere (from memory)."""
    return float(ATMOSPHERE_KPA * (1 - 2.25577e-5 * altitude_m) ** 5.25588)


def unit_of(name: str, kind: str, written: str = "") -> Unit:
    """The unit called `name` among those of `kind`; QuantityError lists the ones that would do.

    `written` is the whole text the name stands in, for the error.
    """
    table = UNITS[kind]
    if (found := table.get(_tidy(name))) is not None:
        return found
    wants = f"wants a unit of {kind}: {', '.join(table)}"
    if not name:
        raise QuantityError(f"{wants}; found {found_text(written)}, without one" if written else f"{wants}; found none")
    near = next((u for u in table if u.lower() == _tidy(name).lower()), "")
    raise QuantityError(f"{wants}; found {found_text(written or name)}" + (f"; did you mean `{near}`?" if near else ""))


def _tidy(name: str) -> str:
    """A unit with the look-alikes of typing put right: Greek mu for micro sign, raised three for 3."""
    return re.sub(r"\s+", " ", name.replace("\u03bc", "\u00b5").replace("\u00b3", "3"))


def found_text(value: object) -> str:
    """A value as a plant file would have it, shortened: for "found ..." in errors."""
    if not isinstance(value, str):
        return {True: "true", False: "false"}[value] if isinstance(value, bool) else str(value)
    text = value if len(value) <= 80 else f"{value[:77]}..."
    return f'"{text}"' if text.isprintable() else ascii(text)


def kind_of(name: str) -> str:
    """The kind of quantity a unit measures, "" when no table has it."""
    return next((kind for kind, table in UNITS.items() if _tidy(name) in table), "")


def in_base(value: float, unit: str, *, atmosphere_kpa: float = ATMOSPHERE_KPA) -> float:
    """A value of a known unit in the base unit of its kind; as it is when no table has the unit."""
    kind = kind_of(unit)
    if not kind:
        return value
    u = unit_of(unit, kind)
    return value * u.factor + u.offset - (atmosphere_kpa if u.absolute else 0.0)


def quantity(text: object, kind: str, *, atmosphere_kpa: float = ATMOSPHERE_KPA) -> float:
    """Read "20 m3/h" as a number in the base unit of `kind`. QuantityError says what is wanted.

    Absolute pressures are returned less `atmosphere_kpa`, the air pressure of the site in kPa: gauge.
    """
    if not isinstance(text, str):
        raise QuantityError(f'wants text with a unit, like "{EXAMPLE[kind]}"; found {found_text(text)}')
    m = _QUANTITY.fullmatch(text)
    if not m:
        raise QuantityError(f'wants a number and a unit, like "{EXAMPLE[kind]}"; found {found_text(text)}')
    unit_of(m[2], kind, text)
    value = in_base(float(m[1].replace("_", "")), m[2], atmosphere_kpa=atmosphere_kpa)
    if not math.isfinite(value):
        raise QuantityError(f"wants a finite number; found {found_text(text)}")
    if value < 0 and kind not in _MAY_BE_NEGATIVE:
        raise QuantityError(f"wants 0 or more; found {found_text(text)}")
    return value


_MAY_BE_NEGATIVE: Final = frozenset({"pressure", "temperature", "length"})

EXAMPLE: Final[Mapping[str, str]] = MappingProxyType(
    {
        "time": "10 s",
        "pressure": "120 psig",
        "conductivity": "3000 uS/cm",
        "volume": "100 L",
        "volume flow": "20 m3/h",
        "mass": "8 t",
        "mass flow": "5 t/h",
        "hardness": "10 ppm as CaCO3",
        "energy": "100 kWh",
        "temperature": "25 °C",
        "current": "12 mA",
        "ratio": "10 %",
        "length": "300 m",
    }
)
"""How one quantity of each kind is written."""


def span(text: object, example: str = "0..5000 uS/cm") -> tuple[float, float, str]:
    """Read "0..5000 uS/cm" as (0.0, 5000.0, "uS/cm")."""
    m = _RANGE.fullmatch(text) if isinstance(text, str) else None
    if not m:
        raise QuantityError(f'wants low..high, like "{example}"; found {found_text(text)}')
    lo, hi = float(m[1].replace("_", "")), float(m[2].replace("_", ""))
    if not (math.isfinite(lo) and math.isfinite(hi)):
        raise QuantityError(f"wants finite numbers; found {found_text(text)}")
    if lo == hi:
        raise QuantityError(f"wants two different ends; found {found_text(text)}")
    return lo, hi, m[3]


def show(value: float, kind: str, system: System) -> tuple[float, str]:
    """A value in the base unit of `kind` as (number, unit) for people: "us" or "si".

    A kind no table has, "" too, comes back as it is with no unit.
    """
    name = _SHOWN[kind][0 if system == "us" else 1] if kind in _SHOWN else BASE.get(kind, "")
    if not name or name == BASE[kind]:
        return value, name
    u = UNITS[kind][name]
    return (value - u.offset) / u.factor, name


def shown(value: float, kind: str, system: System) -> str:
    """As `show`, as text with four figures at most: "3300 umho/cm"."""
    number, unit = show(value, kind, system)
    return f"{plain(number)} {unit}".rstrip()


def plain(number: float) -> str:
    """A number with four figures and no exponent where it is above 1: 3300, 128.5, 12345, 0.0125."""
    return f"{number:.0f}" if abs(number) >= 1000 else f"{number:.4g}"
