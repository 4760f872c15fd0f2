"""The limits a plant is judged by: those written, and those proposed where a set point is given.

Pure. Imports nothing of ours but `config`. Proposals: common practice, no source; they are shown for confirmation,
and the limits that count are those the water specialist, the boiler maker and the insurer give.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from config import units
from config.model import Boiler, Watched

HIGH_ABOVE: Final = 1.10  # times the set point
VERY_HIGH_ABOVE: Final = 1.25  # times the set point
LOW_BELOW: Final = 0.85  # times set point less differential


@dataclass(frozen=True, slots=True)
class Limits:
    """Conductivity limits in uS/cm; None where there is none. `source_text` says where each comes from."""

    high: float | None
    very_high: float | None
    low: float | None
    source_text: str
    proposed: tuple[str, ...] = ()  # those of "high", "very_high", "low" that are proposals


NONE: Final = Limits(None, None, None, "no conductivity limits: no set point and no limit is written")


def conductivity_limits(boiler: Boiler) -> Limits:
    """The limits of a boiler: as written; where a set point is given, the rest as proposed from it.

    A proposal keeps the order low < set point < high < very high whatever is written beside it.
    """
    c = boiler.conductivity
    if c is None:
        return NONE
    high, very_high, low, proposed = c.high, c.very_high, c.low, []
    if c.set_point:
        if high is None:
            high = c.set_point * HIGH_ABOVE
            if very_high is not None and high >= very_high:
                high = (c.set_point + very_high) / 2
            proposed.append("high")
        if very_high is None:
            very_high = max(c.set_point * VERY_HIGH_ABOVE, high * VERY_HIGH_ABOVE / HIGH_ABOVE)
            proposed.append("very_high")
        if low is None:
            low = (c.set_point - min(c.differential or 0.0, c.set_point)) * LOW_BELOW
            proposed.append("low")
    if high is None and very_high is None and low is None:
        return NONE
    written = [k for k, x in (("high", c.high), ("very_high", c.very_high), ("low", c.low)) if x is not None]
    parts = [f"{', '.join(written)} as written in the plant file"] if written else []
    if proposed:
        parts.append(f"{', '.join(proposed)} proposed from the set point (common practice, no source; to be confirmed)")
    return Limits(high, very_high, low, "; ".join(parts), tuple(proposed))


@dataclass(frozen=True, slots=True)
class AnalogueLimits:
    """Limits of an [[analogue]], or of a boiler's own signal, in the base unit of its range.

    As written where the unit is not known.
    """

    high: float | None
    low: float | None
    deadband: float
    rate: float | None = None  # an hour
    factor: float = 1.0  # base units in one unit as written


def analogue_limits(analogue: Watched, altitude: float = 0.0) -> AnalogueLimits:
    """`high`, `low` and `deadband` are written in the unit of the range; here in its base unit, like the readings.

    `altitude` of the site in m (`plant.plant.altitude`), for absolute pressures.
    """
    unit, kind = analogue.range.unit, analogue.range.kind
    factor = units.unit_of(unit, kind).factor if kind else 1.0
    air = units.atmosphere(altitude)

    def base(value: float | None) -> float | None:
        return None if value is None else units.in_base(value, unit, atmosphere_kpa=air)

    rate = None if analogue.rate is None else analogue.rate * factor
    return AnalogueLimits(base(analogue.high), base(analogue.low), analogue.deadband * factor, rate, factor)
