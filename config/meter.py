"""[[meter]]: pulses of a water, steam or fuel meter, what one of them is worth, and from when on.

Imports nothing of ours but `config.written`, `config.units`. Volumes m3, flows m3/h, temperatures °C.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, WithJsonSchema

from config import units
from config.written import ChannelRef, Name, Part, Positive, Temperature, Volume, VolumeFlow, only_text

_PER: str = rf"\s*({units.NUMBER})\s*(?:pulses?|imp|p)?\s*(?:/|per)\s*(.*?)\s*"


def _k_factor(value: object, info: ValidationInfo) -> object:
    """Pulses a m3 from "120 pulses/gal"."""
    if not isinstance(value, str):
        return only_text(value, info, "pulses per volume", KFACTOR_EXAMPLE)
    m = re.fullmatch(_PER, value, re.ASCII)
    if not m:
        raise ValueError(f'wants pulses per volume, like "{KFACTOR_EXAMPLE}"; found {units.found_text(value)}')
    per = float(m[1].replace("_", "")) / units.unit_of(m[2], "volume", value).factor
    if not per > 0:
        raise ValueError(f"wants more than 0; found {units.found_text(value)}")
    return per


def _moment(value: object) -> object:
    """A date, or a date and time of the plant's own clock, as ISO text."""
    if type(value) is date or (isinstance(value, datetime) and value.tzinfo is None):
        return value.isoformat()
    if isinstance(value, str):
        try:
            if datetime.fromisoformat(value).tzinfo is None:
                return value
        except ValueError:
            pass
    found = value.isoformat() if isinstance(value, datetime) else value
    raise ValueError(
        'wants a date, or a date and time of the plant\'s own clock, like "2026-11-20" or "2026-11-20 14:30"; '
        f"found {units.found_text(found)}"
    )


KFACTOR_EXAMPLE = "120 pulses/gal"
KFactor = Annotated[
    float,
    BeforeValidator(_k_factor),
    WithJsonSchema({"type": "string", "description": "pulses per volume", "examples": [KFACTOR_EXAMPLE]}),
]
"""Pulses a m3."""
Moment = Annotated[str, BeforeValidator(_moment)]
Divider = Annotated[int, Field(ge=1, le=1_000_000)]


class MeterChange(Part):
    """changes = [{ from = ..., ... }]: what is otherwise from an instant on; what is not written stays as it was."""

    from_: Moment = Field(alias="from")
    pulse: Annotated[Volume, Positive] | None = None
    k_factor: KFactor | None = None
    divider: Divider | None = None
    dial: Volume | None = None  # what the dial of a new meter showed then


class Meter(Part):
    """[[meter]]: pulses of a water, steam or fuel meter. One of `pulse` and `k_factor` is written."""

    name: Name
    channel: ChannelRef
    measures: Literal["makeup", "feedwater", "condensate", "blowdown", "steam", "fuel", "other"]
    pulse: Annotated[Volume, Positive] | None = None  # m3 a pulse of the meter
    k_factor: KFactor | None = None  # pulses of the meter a m3
    divider: Divider = 1  # pulses of the meter for each that is counted
    max_rate: Annotated[VolumeFlow, Positive]  # m3/h; a step beyond it is no flow
    minimum_flow: Annotated[VolumeFlow, Positive] | None = None  # m3/h below which the meter does not turn truly
    temperature: Temperature | None = None  # of the water in the meter: balances are in mass
    changes: tuple[MeterChange, ...] = ()
    serves: tuple[Name, ...]

    WATER: ClassVar = ("makeup", "feedwater", "condensate", "blowdown")

    @property
    def counted(self) -> float:
        """m3 for each pulse that is counted, before any of the `changes`."""
        return volume_of_count(self.pulse, self.k_factor, self.divider)

    @property
    def of_water(self) -> bool:
        """Whether what passes is water, so that it has a mass."""
        return self.measures in self.WATER


def volume_of_count(pulse: float | None, k_factor: float | None, divider: int) -> float:
    """m3 for each pulse that is counted, from the pulse's worth or the K-factor. ValueError without either."""
    if pulse is None:
        if k_factor is None:
            raise ValueError("a meter wants pulse or k_factor")
        pulse = 1 / k_factor
    return pulse * divider


def instant(moment: str) -> datetime:
    """A `Moment` as date and time without a zone: that of the plant's clock; a bare date is its midnight."""
    return datetime.fromisoformat(moment)
