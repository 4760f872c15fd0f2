"""Values as a plant file writes them: quantities with units, names, dates. The types `config.model` is made of.

Imports nothing of ours but `config.units`. A file is read with a validation context (the air pressure of the site);
without one, floats pass as they are, so that a model can be built again from its own dump.
"""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Final

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, WithJsonSchema

from config import units


class Part(BaseModel):
    """Any part of the plant: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, allow_inf_nan=False)


def air_of(info: ValidationInfo) -> float:
    """Air pressure of the site in kPa: of the file being read, else at sea level."""
    return float(info.context["atmosphere_kpa"]) if info.context else units.ATMOSPHERE_KPA


def _reads(kind: str) -> BeforeValidator:
    def read(value: object, info: ValidationInfo) -> float:
        # a number passes only when the model is built from its own dump: a file is read with a context
        if isinstance(value, float) and not info.context:
            return value
        return units.quantity(value, kind, atmosphere_kpa=air_of(info))

    return BeforeValidator(read)


def _written(kind: str) -> WithJsonSchema:
    return WithJsonSchema(
        {
            "type": "string",
            "description": f"{kind} with its unit: {', '.join(units.UNITS[kind])}",
            "examples": [units.EXAMPLE[kind]],
        }
    )


def _flow(value: object, info: ValidationInfo) -> float:
    """kg/h; a volume flow is taken as cold water of 1000 kg/m3."""
    if isinstance(value, float) and not info.context:
        return value
    m = re.fullmatch(rf"\s*{units.NUMBER}\s*(.*?)\s*", value, re.ASCII) if isinstance(value, str) else None
    if m and units.kind_of(m[1]) == "volume flow":
        return units.quantity(value, "volume flow") * 1000
    return units.quantity(value, "mass flow")


NAME: Final = "[A-Za-z][A-Za-z0-9_-]{0,39}"

Time = Annotated[float, _reads("time"), _written("time")]
Pressure = Annotated[float, _reads("pressure"), _written("pressure")]
Conductivity = Annotated[float, _reads("conductivity"), _written("conductivity")]
Volume = Annotated[float, _reads("volume"), _written("volume")]
VolumeFlow = Annotated[float, _reads("volume flow"), _written("volume flow")]
Mass = Annotated[float, _reads("mass"), _written("mass")]
MassFlow = Annotated[float, _reads("mass flow"), _written("mass flow")]
Temperature = Annotated[float, _reads("temperature"), _written("temperature")]
Ratio = Annotated[float, _reads("ratio"), _written("ratio")]
Length = Annotated[float, _reads("length"), _written("length")]
WaterFlow = Annotated[float, BeforeValidator(_flow), _written("mass flow")]
"""kg/h of water, written as a mass flow or as a volume flow of cold water."""


def _name_or_conductivity(value: object, info: ValidationInfo) -> object:
    if isinstance(value, float) and not info.context:
        return value
    if not isinstance(value, str):
        raise ValueError(
            f'wants the name of an [[analogue]], or a conductivity like "350 uS/cm"; found {units.found_text(value)}'
        )
    if re.fullmatch(NAME, value):
        return value
    found = units.quantity(value, "conductivity")
    if found <= 0:
        raise ValueError(f"wants more than 0; found {units.found_text(value)}")
    return found


WaterQuality = Annotated[
    float | str,
    BeforeValidator(_name_or_conductivity),
    WithJsonSchema(
        {
            "type": "string",
            "description": "the name of an [[analogue]] that measures it, or a conductivity with its unit",
            "examples": ["feedwater", "350 uS/cm"],
        }
    ),
]
"""The name of an analogue signal, or uS/cm as written."""


def _more_than_none(value: float) -> float:
    if value <= 0:
        raise ValueError("wants more than 0; found 0")
    return value


def _iso_day(value: object) -> object:
    """A date of TOML as text; any other text must be one."""
    if type(value) is date:
        return value.isoformat()
    if isinstance(value, str):
        try:
            date.fromisoformat(value)
        except ValueError:
            raise ValueError(f'wants a date, like "2026-10-14"; found {units.found_text(value)}') from None
    return value


DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def _clock_time(value: object) -> object:
    m = re.fullmatch(r"(?:(\w{3}) )?(\d\d):(\d\d)", value, re.ASCII) if isinstance(value, str) else None
    if m is None or (m[1] and m[1] not in DAYS) or int(m[2]) > 23 or int(m[3]) > 59:
        raise ValueError(f'wants a time of day, like "06:00" or "Mon 06:00"; found {units.found_text(value)}')
    return value


Positive = AfterValidator(_more_than_none)
Day = Annotated[str, BeforeValidator(_iso_day)]
ClockTime = Annotated[str, BeforeValidator(_clock_time)]
Name = Annotated[str, Field(pattern=f"^{NAME}$")]
Hours = Annotated[str, Field(pattern=r"^[0-2]\d:[0-5]\d\.\.[0-2]\d:[0-5]\d$")]
"""Two times of day, "05:30..06:30"."""
ChannelRef = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_-]*\.[A-Za-z][A-Za-z0-9_-]*$")]


def only_text(value: object, info: ValidationInfo, what: str, example: str) -> object:
    """What is written as one text, though the model holds its numbers apart."""
    # as a table only when the model is built from its own dump
    if info.context:
        raise ValueError(f'wants text: {what}, like "{example}"; found {units.found_text(value)}')
    return value
