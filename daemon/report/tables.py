"""Alarms and blows as rows for people: columns, words, the plant's units and its zone.

Pure. May import: config, daemon.core, daemon.alarms.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from config.model import Plant
from daemon.alarms.kinds import KINDS
from daemon.alarms.table import MEANING
from daemon.alarms.table import State as Life
from daemon.core.outcome import Blow, Entry
from daemon.core.say import in_plant_units

Cell = float | int | str | datetime | None

ALARM_HEADS: Final = (
    "time", "number", "where", "alarm", "event", "state", "meaning", "priority", "value", "limit", "unit",
    "evidence", "by",
)  # fmt: skip
BLOW_HEADS: Final = (
    "boiler", "start", "end", "open for (min)", "openings", "conductivity at start", "conductivity at end", "unit",
    "seen whole", "plus or minus (s)", "blown down", "mass unit", "mass told by",
)  # fmt: skip

MASS_BY: Final = {
    "meter": "blowdown meter",
    "opening": "flow of the open valve and open time",
    "balance": "the fall of conductivity",
}
_EVENTS: Final = {"out_of_service": "taken out of service", "in_service": "back in service"}
_MEANING: Final = {life.value: text for life, text in MEANING.items()}


def site_time(at_ms: int, zone: ZoneInfo) -> datetime:
    """An instant on the plant's clock, with its offset."""
    return datetime.fromtimestamp(at_ms // 1000, zone).replace(microsecond=at_ms % 1000 * 1000)


def alarm_row(e: Entry, plant: Plant, zone: ZoneInfo) -> tuple[Cell, ...]:
    """One line of the alarm journal, in the order of ALARM_HEADS."""
    system = plant.plant.units
    value, unit = (None, "") if e.value is None else in_plant_units(e.value, e.unit, system)
    limit = None if e.limit is None else in_plant_units(e.limit, e.unit, system)[0]
    title = KINDS[e.kind].title if e.kind in KINDS else e.kind
    # "normal" is the alarm's state, not the boiler's: one put back into service is judged anew first
    meaning = "" if e.state == Life.NORMAL.value else _MEANING.get(e.state, "")
    return (
        site_time(e.at_ms, zone),
        e.occurrence or None,
        e.target,
        f"{title} ({e.name})" if e.name else title,
        _EVENTS.get(e.event, e.event),
        e.state,
        meaning,
        e.priority,
        _round(value),
        _round(limit),
        unit if value is not None else "",
        e.evidence,
        e.by,
    )


def blow_row(b: Blow, plant: Plant, zone: ZoneInfo) -> tuple[Cell, ...]:
    """One blow, in the order of BLOW_HEADS."""
    system = plant.plant.units

    def shown(v: float | None) -> float | None:
        return None if v is None else _round(in_plant_units(v, "uS/cm", system)[0])

    return (
        b.boiler,
        site_time(b.start_ms, zone),
        site_time(b.end_ms, zone),
        round(b.open_ms / 60_000, 2),
        b.openings,
        shown(b.sampled),
        shown(b.ended_at),
        in_plant_units(0.0, "uS/cm", system)[1],
        "yes" if b.complete else "no",
        b.plus_minus_ms / 1000,
        None if b.kg is None else _round(in_plant_units(b.kg, "kg", system)[0]),
        "" if b.kg is None else in_plant_units(0.0, "kg", system)[1],
        MASS_BY.get(b.kg_by, b.kg_by),
    )


def _round(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.7g}")
