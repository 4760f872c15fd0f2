"""Temperature compensation and dissolved solids of a boiler's conductivity, as the plant file writes them.

Lives here: the parts of the file and what they come to (`compensation_of`, `solids_of`). Imports nothing of ours but
`config`. Ranges of trust: from 10 to 50 °C a fixed 2 % per °C is within 3 % for potassium chloride (standard solutions
of the CRC Handbook); the natural-water factors hold from 0 to 35 °C up to about 1000 uS/cm (scope of ISO 7888, from
memory). Neither was made for boiler water: a plant that has proven its coefficient says over which temperatures.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import inf
from typing import TYPE_CHECKING, Annotated, ClassVar, Final, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, WithJsonSchema, model_validator

from config import units
from config.written import Day, Part, only_text

if TYPE_CHECKING:
    from config.model import Boiler

How = Literal["transmitter", "linear", "natural water"]

LINEAR_C: Final = (10.0, 50.0)
NATURAL_C: Final = (0.0, 35.0)
NATURAL_HIGHEST: Final = 1000.0  # uS/cm at 25 °C
USUAL_FACTOR: Final = 0.7  # ppm per uS/cm; Engineering ToolBox, boiler water d_1062 (read)
NEUTRALISED, UNNEUTRALISED = "neutralised", "unneutralised"


def _degrees(value: object, info: ValidationInfo) -> object:
    if not isinstance(value, str):
        return only_text(value, info, "temperatures", "150..190 °C") if info.context else value
    low, high, unit = units.span(value, "150..190 °C")
    units.unit_of(unit, "temperature", value)
    low, high = sorted((units.in_base(low, unit), units.in_base(high, unit)))
    return low, high


Degrees = Annotated[
    tuple[float, float],
    BeforeValidator(_degrees),
    WithJsonSchema({"type": "string", "description": "temperatures, low..high", "examples": ["150..190 °C"]}),
]
"""°C, written "150..190 °C" or "300..375 °F"."""


class LaboratoryPair(Part):
    """What the laboratory found in one sample: "2030 ppm = 2900 uS/cm"; ppm of dissolved solids, uS/cm at 25 °C."""

    solids: float
    conductivity: float

    example: ClassVar[str] = "2030 ppm = 2900 uS/cm"

    @model_validator(mode="before")
    @classmethod
    def _read(cls, value: object, info: ValidationInfo) -> object:
        if not isinstance(value, str):
            return only_text(value, info, "solids = conductivity", cls.example)
        left, _, right = value.partition("=")
        m = re.fullmatch(rf"\s*({units.NUMBER})\s*(ppm|mg/L)\s*", left, re.ASCII)
        if not m or not right:
            raise ValueError(f'wants solids = conductivity, like "{cls.example}"; found {units.found_text(value)}')
        pair = {
            "solids": float(m[1].replace("_", "")),
            "conductivity": units.quantity(right.strip(), "conductivity"),
        }
        if not all(0 < x < inf for x in pair.values()):
            raise ValueError(f"wants both above 0; found {units.found_text(value)}")
        return pair


class DissolvedSolids(Part):
    """dissolved_solids = { ... } of a boiler: ppm from the representative conductivity, by a factor with its source."""

    factor: Annotated[float, Field(gt=0, le=2)] | None = None  # ppm per uS/cm
    laboratory: LaboratoryPair | None = None  # instead of a factor
    date: Day | None = None  # of the laboratory's sample, or of the factor
    neutralised: bool | None = None  # whether the sample was neutralised before its conductivity was read


@dataclass(frozen=True, slots=True)
class Compensation:
    """How a reading is brought to 25 °C. `how` "none": by nobody; it is at the temperature of the probe.

    Trusted while the probe is between `low_c` and `high_c` and the result is no more than `highest` uS/cm.
    """

    how: Literal["transmitter", "linear", "natural water", "none"]
    coefficient: float = 0.0  # % per °C referred to 25 °C
    low_c: float = -inf
    high_c: float = inf
    highest: float = inf

    @property
    def here(self) -> bool:
        """True when it is reckoned here and wants the temperature of the probe."""
        return self.how in ("linear", "natural water")


BY_TRANSMITTER: Final = Compensation("transmitter")


@dataclass(frozen=True, slots=True)
class Solids:
    """The factor in ppm per uS/cm, where it comes from, and the unit that says how the sample was."""

    factor: float
    source: str
    unit: str


def compensation_of(boiler: Boiler) -> Compensation:
    """The compensation of a boiler's probe, older keys included (`compensated = false` with a probe temperature)."""
    c = boiler.conductivity
    if c is None:
        return BY_TRANSMITTER
    how = c.compensation
    if how is None:
        if c.compensated:
            return BY_TRANSMITTER
        how = "linear" if boiler.probe_temperature else None
    if how is None or (how != "transmitter" and boiler.probe_temperature is None):
        return Compensation("none")
    if how == "transmitter":
        return BY_TRANSMITTER
    if how == "natural water":
        low, high = c.compensation_trusted or NATURAL_C
        return Compensation(how, 0.0, low, high, NATURAL_HIGHEST)
    low, high = c.compensation_trusted or LINEAR_C
    return Compensation(how, c.coefficient, low, high)


def sample_word(boiler: Boiler) -> str:
    """Whether the boiler's conductivity stands for neutralised water: the word that goes into labels."""
    return NEUTRALISED if boiler.conductivity and boiler.conductivity.neutralised else UNNEUTRALISED


def solids_of(boiler: Boiler) -> Solids | None:
    """The factor for dissolved solids of a boiler, None where none are wanted."""
    d = boiler.dissolved_solids
    if d is None or boiler.conductivity is None:
        return None
    unit = f"ppm TDS ({sample_word(boiler)})"
    if d.laboratory is not None:
        lab = d.laboratory
        said = f"laboratory, {d.date}: {lab.solids:g} ppm in water of {lab.conductivity:g} uS/cm"
        return Solids(lab.solids / lab.conductivity, said, unit)
    if d.factor is not None:
        return Solids(d.factor, "written in the plant file" + (f", {d.date}" if d.date else ", without a date"), unit)
    return Solids(USUAL_FACTOR, "the usual factor; no laboratory value of this water is entered", unit)
