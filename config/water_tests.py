"""The daily tests of the trade: what is tested by hand, in which units, and what a result can be at all.

Lives here: the one list, the reading of "0.5 ppm" as a result, and the waters a result may be of besides the plant's
own parts. Pure. Imports nothing of ours but `config.units`.

Bounds are wide: they catch a slipped point or a wrong unit, no more (common practice, no source). Control ranges are
the plant's, in its file. Molar masses are made of the IUPAC abridged standard atomic weights (2021, from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from config import units

_O, _NA, _SI, _P, _S, _CL, _CACO3 = 15.999, 22.990, 28.085, 30.974, 32.06, 35.45, 100.0869
_SO3, _PO4, _SIO2 = _S + 3 * _O, _P + 4 * _O, _SI + 2 * _O


def _dissolved(**more: float) -> dict[str, float]:
    """mg/L and the like; a key like as_SO3 stands for "ppm as SO3" and "mg/L as SO3"."""
    made = {"mg/L": 1.0, "ppm": 1.0, "ug/L": 0.001, "µg/L": 0.001, "ppb": 0.001, "g/L": 1000.0}
    for key, factor in more.items():
        made |= {f"{u} {key.replace('_', ' ')}": factor for u in ("mg/L", "ppm")}
    return made


_ALKALINITY: Final = _dissolved(as_CaCO3=1.0) | {"meq/L": _CACO3 / 2}
_HARDNESS: Final = (
    _dissolved(as_CaCO3=1.0)
    | {k: u.factor for k, u in units.UNITS["hardness"].items() if k not in ("mmol/L", "grain")}
    | {"mmol/L": _CACO3, "°fH": 10.0, "fH": 10.0}
)
_PASSED: Final[Mapping[str, float]] = MappingProxyType({"": 1.0})


@dataclass(frozen=True, slots=True)
class WaterTest:
    """One test. `units`: factor of each to `unit`, in which results are reckoned; `lowest`..`highest` in it.

    `result` is "number", or "passed" where it is a word: 1 passed, 0 failed.
    """

    what: str
    title: str
    unit: str
    units: Mapping[str, float]
    lowest: float
    highest: float
    result: str = "number"


def _plain(kind: str) -> Mapping[str, float]:
    return {name: u.factor for name, u in units.UNITS[kind].items()}


_ALL: Final = (
    WaterTest("hardness", "total hardness", "mg/L as CaCO3", _HARDNESS, 0, 5000),
    WaterTest(
        "sulphite", "sulphite", "mg/L as SO3", _dissolved(as_SO3=1.0, as_Na2SO3=_SO3 / (_SO3 + 2 * _NA)), 0, 2000
    ),
    WaterTest(
        "phosphate",
        "phosphate",
        "mg/L as PO4",
        _dissolved(as_PO4=1.0, as_P=_PO4 / _P, as_P2O5=2 * _PO4 / (2 * _P + 5 * _O)),
        0,
        2000,
    ),
    WaterTest("ph", "pH", "pH", MappingProxyType({"": 1.0, "pH": 1.0}), 0, 14),
    WaterTest("p_alkalinity", "P alkalinity", "mg/L as CaCO3", _ALKALINITY, 0, 20_000),
    WaterTest("total_alkalinity", "total (M) alkalinity", "mg/L as CaCO3", _ALKALINITY, 0, 20_000),
    WaterTest("hydroxide_alkalinity", "hydroxide alkalinity", "mg/L as CaCO3", _ALKALINITY, 0, 20_000),
    WaterTest(
        "chloride",
        "chloride",
        "mg/L as Cl",
        _dissolved(as_Cl=1.0, as_NaCl=_CL / (_CL + _NA), as_CaCO3=2 * _CL / _CACO3),
        0,
        20_000,
    ),
    WaterTest("silica", "silica", "mg/L as SiO2", _dissolved(as_SiO2=1.0, as_Si=_SIO2 / _SI), 0, 2000),
    WaterTest("conductivity", "conductivity of a sample at 25 °C", "uS/cm", _plain("conductivity"), 0, 50_000),
    WaterTest("dissolved_solids", "dissolved solids", "mg/L", _dissolved(), 0, 50_000),
    WaterTest("iron", "iron", "mg/L as Fe", _dissolved(as_Fe=1.0), 0, 500),
    WaterTest("copper", "copper", "mg/L as Cu", _dissolved(as_Cu=1.0), 0, 100),
    WaterTest("oxygen", "dissolved oxygen", "mg/L as O2", _dissolved(as_O2=1.0), 0, 30),
    WaterTest("scavenger", "oxygen scavenger other than sulphite", "mg/L", _dissolved(), 0, 500),
    WaterTest("polymer", "polymer", "mg/L", _dissolved(), 0, 1000),
    WaterTest(
        "molybdate", "molybdate", "mg/L as MoO4", _dissolved(as_MoO4=1.0, as_Mo=(95.95 + 4 * _O) / 95.95), 0, 2000
    ),
    WaterTest("nitrite", "nitrite", "mg/L as NO2", _dissolved(as_NO2=1.0), 0, 5000),
    WaterTest("bottom_blow", "bottom blow by hand", "s", {"s": 1.0, "min": 60.0}, 1, 3600),
    WaterTest("refill", "refill of a chemical tank", "L", {k: f * 1000 for k, f in _plain("volume").items()}, 0.1, 1e5),
    WaterTest("glass_test", "gauge glass blown through", "", _PASSED, 0, 1, "passed"),
    WaterTest("column_test", "water column blown through", "", _PASSED, 0, 1, "passed"),
    WaterTest("cutoff_test", "low-water cut-off test", "", _PASSED, 0, 1, "passed"),
    WaterTest("safety_valve_test", "safety valve test", "", _PASSED, 0, 1, "passed"),
    WaterTest("flame_test", "flame failure test", "", _PASSED, 0, 1, "passed"),
)

WATER_TESTS: Final[Mapping[str, WaterTest]] = MappingProxyType({t.what: t for t in _ALL})
"""Every test there is; the list grows and never renames."""

ALSO_CALLED: Final[Mapping[str, str]] = MappingProxyType(
    {
        "pH": "ph",
        "sulfite": "sulphite",
        "m_alkalinity": "total_alkalinity",
        "oh_alkalinity": "hydroxide_alkalinity",
        "tds": "dissolved_solids",
    }
)
"""Other words people type for a test."""

WATERS: Final = ("raw", "softened", "makeup", "feedwater", "condensate", "steam")
"""What a result may be of besides the plant's own boilers, meters, tanks, chemicals and analogues."""

PASSED: Final[Mapping[str, float]] = MappingProxyType({"passed": 1.0, "pass": 1.0, "failed": 0.0, "fail": 0.0})
_NUMBER: Final = re.compile(rf"\s*({units.NUMBER})\s*(.*?)\s*", re.ASCII)


class ResultError(ValueError):
    """A result that cannot be taken; the text says what was found and what is wanted."""


def named_test(name: str) -> WaterTest:
    """The test of a name as typed; ResultError lists those there are."""
    found = WATER_TESTS.get(ALSO_CALLED.get(name, name)) or WATER_TESTS.get(name.lower().replace(" ", "_"))
    if found is None:
        raise ResultError(f"there is no test {units.found_text(name)}; known here: {', '.join(WATER_TESTS)}")
    return found


def result_in_base(test: WaterTest, value: float, unit: str) -> float:
    """A result in the unit the test is reckoned in. ResultError when the unit or the figure cannot be."""
    name = _unit(test, unit)
    if test.result == "passed":
        if value not in (0.0, 1.0):
            raise ResultError(f"{test.title} wants passed or failed; found {value:g}")
        return value
    found = value * test.units[name]
    if not math.isfinite(found):
        raise ResultError(f"{test.title} wants a finite number; found {value:g}")
    if not test.lowest <= found <= test.highest:
        said = "" if name in ("", test.unit) else f" ({units.plain(found)} {test.unit})"
        raise ResultError(
            f"{test.title} wants {test.lowest:g} to {test.highest:g} {test.unit}; found {value:g} {unit}".rstrip()
            + f"{said}. Look at the figure and its unit again"
        )
    return found


def _unit(test: WaterTest, unit: str) -> str:
    name = re.sub(r"\s+", " ", unit.strip().replace("\u03bc", "\u00b5"))
    if name in test.units:
        return name
    if test.unit == name:
        return next(u for u, factor in test.units.items() if factor == 1.0)
    known = ", ".join(u for u in test.units if u) or "no unit: passed or failed"
    raise ResultError(f"{test.title} wants a unit ({known}); found {units.found_text(unit) if unit else 'none'}")


def read_result(test: WaterTest, text: str) -> tuple[float, str]:
    """ "0.5 ppm" or "passed" as typed, as (number, unit), the unit as written. ResultError says what is wanted."""
    word = text.strip().lower()
    if test.result == "passed":
        if word not in PASSED:
            raise ResultError(f"{test.title} wants passed or failed; found {units.found_text(text.strip())}")
        return PASSED[word], ""
    m = None if re.match(r"\s*[+-]?\d+,\d", text) else _NUMBER.fullmatch(text)
    if not m:
        unit = next(iter(test.units))
        what, like = ("a number and a unit", f"2 {unit}") if unit else ("a number", "10.8")
        raise ResultError(
            f'{test.title} wants {what} with a decimal point, like "{like}"; found {units.found_text(text.strip())}'
        )
    value = float(m[1].replace("_", ""))
    result_in_base(test, value, m[2])
    return value, m[2]


def with_title(title: str, shown: str) -> str:
    """A result with its test's name, which is not said twice: "chloride 70 mg/L as Cl", "pH 10.8"."""
    return shown if shown.startswith(f"{title} ") else f"{title} {shown}"


def shown_result(test: WaterTest, value: float) -> str:
    """A result in its base unit as text: "0.5 mg/L as CaCO3", "pH 10.8", "passed"."""
    if test.result == "passed":
        return "passed" if value else "failed"
    return f"pH {units.plain(value)}" if test.unit == "pH" else f"{units.plain(value)} {test.unit}"
