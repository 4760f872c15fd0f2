"""Alarms and blows as rows for people: columns, words, the plant's units and its zone.

Pure. May import: config, daemon.core, daemon.alarms.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from config.model import Plant
from config.water_tests import WATER_TESTS
from daemon.alarms.kinds import KINDS
from daemon.alarms.table import MEANING
from daemon.alarms.table import State as Life
from daemon.core.outcome import Blow, Calibration, Entry, ManualReading
from daemon.core.say import in_plant_units
from daemon.measure.manual import withdrawn_act
from daemon.store.records import StoredAct

Cell = float | int | str | datetime | None

ALARM_HEADS: Final = (
    "time", "number", "where", "alarm", "event", "state", "meaning", "priority", "value", "limit", "unit",
    "evidence", "by", "reading",
)  # fmt: skip
BLOW_HEADS: Final = (
    "boiler", "start", "end", "open for (min)", "openings", "conductivity at start", "conductivity at end", "unit",
    "seen whole", "plus or minus (s)", "blown down", "mass unit", "mass told by", "how",
)  # fmt: skip

MASS_BY: Final = {
    "meter": "blowdown meter",
    "opening": "flow of the open valve and open time",
    "balance": "the fall of conductivity",
}

CALIBRATION_HEADS: Final = (
    "from", "act", "boiler", "where", "what was compared", "ours", "reference", "ours off (%)", "wall as found",
    "wall as left", "wall display", "display off (% of span)", "gain in force", "zero in force", "offset in force",
    "unit", "new probe", "withdraws act", "instrument", "remark", "reason", "override", "by", "says",
)  # fmt: skip

MANUAL_HEADS: Final = (
    "taken", "where", "what", "result", "unit", "by", "method and remarks", "entered", "act", "withdrawn by act",
)  # fmt: skip

_EVENTS: Final = {"out_of_service": "taken out of service", "in_service": "back in service", "released": "let go of"}
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
        e.quality,
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
        "; ".join(text for on, text in ((b.by_hand, "by hand"), (b.shared, "line shared meanwhile")) if on),
    )


def calibration_row(c: Calibration, plant: Plant, zone: ZoneInfo) -> tuple[Cell, ...]:
    """One record of calibration, in the order of CALIBRATION_HEADS; `from` is when it came into force."""
    body, system = c.body, plant.plant.units

    def number(value: object) -> float | None:
        return _round(float(value)) if isinstance(value, (int, float)) and not isinstance(value, bool) else None

    def shown(key: str) -> float | None:
        value = number(body.get(key))
        return None if value is None else _round(in_plant_units(value, "uS/cm", system)[0])

    wall = body.get("wall") or {}
    display = number(wall.get("display"))
    compared = body.get("form") in ("handheld", "standard")
    return (
        site_time(c.from_ms, zone),
        c.act,
        c.tag.partition(".")[0],
        c.kind,
        str(body.get("form", "")),
        shown("reading"),
        shown("reference"),
        number(body.get("error_percent")) if compared else None,
        shown("as_found"),
        shown("as_left"),
        None if display is None else _round(in_plant_units(display, "uS/cm", system)[0]),
        number(wall.get("off_percent")),
        number(body.get("gain")),
        shown("zero"),
        shown("offset_in_force"),
        in_plant_units(0.0, "uS/cm", system)[1],
        "yes" if body.get("new_probe") else "",
        body.get("undone") if isinstance(body.get("undone"), int) else None,
        *(str(body.get(key, "")) for key in ("instrument", "remark", "reason", "override", "by", "text")),
    )


def _round(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.7g}")


def manual_rows(
    records: Iterable[ManualReading], acts: Callable[[int], StoredAct | None], zone: ZoneInfo
) -> Iterator[tuple[Cell, ...]]:
    """What people tested or read, in the order of MANUAL_HEADS. What was withdrawn stays and says by which act."""
    every = list(records)
    gone = {n: m.act for m in every if (n := withdrawn_act(m.note)) is not None}
    for m in every:
        if withdrawn_act(m.note) is not None:
            continue
        act, test = acts(m.act), WATER_TESTS.get(m.what)
        by, entered = (act.act.by, site_time(act.act.received_ms, zone)) if act else ("", None)
        word = ("passed" if m.value else "failed") if test is not None and test.result == "passed" else None
        yield (
            site_time(m.taken_ms, zone),
            m.target,
            test.title if test is not None else m.what,
            word or _round(m.value),
            "pH" if m.what == "ph" else m.unit,
            by,
            m.note,
            entered,
            m.act,
            gone.get(m.act),
        )
