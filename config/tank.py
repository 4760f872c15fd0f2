"""shape = { ... } of a [[tank]]: how its level tells its volume.

Imports nothing of ours but `config.written`, `config.units`. Lengths m, volumes m3.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field, ValidationInfo, model_validator

from config import units
from config.written import Length, Part, Positive, only_text

LEVEL_KINDS = ("ratio", "length", "pressure")


class Strap(Part):
    """One line of a tank's table: "10 in = 5 gal"; `kind` that of the level."""

    level: float
    volume: float
    kind: str

    example: ClassVar[str] = "10 in = 5 gal"

    @model_validator(mode="before")
    @classmethod
    def _read(cls, value: object, info: ValidationInfo) -> object:
        if not isinstance(value, str):
            return only_text(value, info, "level = volume", cls.example)
        left, eq, right = value.partition("=")
        unit = left.strip().lstrip("+-0123456789._eE").strip()
        kind = units.kind_of(unit)
        if not eq or kind not in ("ratio", "length"):
            raise ValueError(
                f'wants level = volume, the level a length or %, like "{cls.example}"; found {units.found_text(value)}'
            )
        return {"level": units.quantity(left, kind), "volume": units.quantity(right, "volume"), "kind": kind}


class Shape(Part):
    """shape = { form = "horizontal", diameter = "40 in" }: `volume` of the tank fills it to the top."""

    form: Literal["upright", "horizontal", "table"]
    height: Annotated[Length, Positive] | None = None  # upright: from the zero of the level to full
    diameter: Annotated[Length, Positive] | None = None  # horizontal, flat ends: from the zero of the level to full
    table: tuple[Strap, ...] = ()
    gravity: Annotated[float, Field(gt=0.1, lt=5)] = 1.0  # of the content to water, for a level told by pressure

    @property
    def full(self) -> float | None:
        """The level in m at which the tank is full, None where it is not written."""
        return self.height if self.form == "upright" else self.diameter
