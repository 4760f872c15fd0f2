"""Figures, times and names in the words of a mail.

Pure. May import: config, daemon.core. Nothing here raises for odd input: a mail about a strange alarm is better than
none.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, tzinfo
from typing import Final
from zoneinfo import ZoneInfo

from config import units
from config.kinds import WATCHED
from config.model import Plant, Watched
from daemon.core.outcome import Notice
from daemon.core.say import in_plant_units

_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_FIRST_MS: Final = 0
_LAST_MS: Final = 253_402_000_000_000  # near the end of the year 9999, the last a date can say
_CONTROL: Final = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]+")


def clean(text: str) -> str:
    """One line of printable text: control characters, line breaks and direction marks become a space."""
    return " ".join(_CONTROL.sub(" ", text.encode("utf-8", "replace").decode()).split())


def zone_of(plant: Plant) -> tzinfo:
    """The plant's time zone; UTC when its name is not known on this PC."""
    try:
        return ZoneInfo(plant.plant.zone)
    except (KeyError, ValueError, OSError):
        return UTC


def instant(at_ms: int, zone: tzinfo) -> datetime:
    """An instant in ms UTC as time of the plant, held within what a date can say."""
    at = datetime.fromtimestamp(min(max(at_ms, _FIRST_MS), _LAST_MS) / 1000, UTC)
    return at.astimezone(zone)


def local(at_ms: int, zone: tzinfo) -> str:
    """ "Tue 3 Nov 2026, 03:07:12 CST (UTC-6)": the name and the offset tell the two hours of autumn apart."""
    at = instant(at_ms, zone)
    day = f"{_DAYS[at.weekday()]} {at.day} {_MONTHS[at.month - 1]} {at.year}, {at:%H:%M:%S}"
    name, offset = at.tzname() or "", _offset(at)
    return f"{day} {name} ({offset})" if name.isalpha() and name != "UTC" else f"{day} {offset}"


def clock_time(at_ms: int, zone: tzinfo, beside_ms: int | None = None) -> str:
    """ "03:07 CST", with the day before it unless `beside_ms` is of the same day: "Wed 4 Nov, 03:07 CST"."""
    at = instant(at_ms, zone)
    name = at.tzname() or ""
    text = f"{at:%H:%M} {name if name.isalpha() and name != 'UTC' else _offset(at)}"
    same = beside_ms is not None and instant(beside_ms, zone).date() == at.date()
    return text if same else f"{_DAYS[at.weekday()]} {at.day} {_MONTHS[at.month - 1]}, {text}"


def day_of(at_ms: int, zone: tzinfo) -> str:
    """ "Tue 3 Nov 2026"."""
    at = instant(at_ms, zone)
    return f"{_DAYS[at.weekday()]} {at.day} {_MONTHS[at.month - 1]} {at.year}"


def _offset(at: datetime) -> str:
    minutes = round((at.utcoffset() or UTC.utcoffset(None)).total_seconds() / 60)
    if not minutes:
        return "UTC"
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{'-' if minutes < 0 else '+'}{hours}" + (f":{rest:02d}" if rest else "")


def lasting(seconds: float) -> str:
    """A time in words, two parts at most: "45 s", "12 min", "7 h 12 min", "3 days 4 h"."""
    if not math.isfinite(seconds):
        return "unknown time"
    total = round(abs(seconds))
    if total < 120:
        return f"{total} s"
    minutes = round(total / 60)
    if minutes < 120:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return _two(minutes // 60, "h", minutes % 60, "min")
    hours = round(total / 3600)
    return _two(hours // 24, "days", hours % 24, "h")


def _two(big: int, big_name: str, small: int, small_name: str) -> str:
    return f"{big} {big_name}" + (f" {small} {small_name}" if small else "")


def figure(value: float, unit: str, plant: Plant, written: str = "") -> tuple[str, str]:
    """A value in base units as (number, unit) for people of this plant; `written` asks for one unit of the plant file.

    Times come as words with no unit: ("4 h 10 min", "").
    """
    if not math.isfinite(value):
        return "not a number", ""
    if unit == "s":
        return lasting(value), ""
    number, name = converted(value, unit, plant, written)
    return grouped(number, plant), name


def converted(value: float, unit: str, plant: Plant, written: str = "") -> tuple[float, str]:
    """As `figure`, with the number as a number."""
    kind = units.kind_of(written or unit)
    if written and kind:
        u = units.unit_of(written, kind)
        air = units.atmosphere(plant.plant.altitude) if u.absolute else 0.0
        return (value + air - u.offset) / u.factor, clean(written)
    number, name = (
        units.show(value, kind, plant.plant.units) if kind else in_plant_units(value, unit, plant.plant.units)
    )
    return number, clean(name)


def grouped(number: float, plant: Plant) -> str:
    """A number with four figures; thousands are set off in US plants only (elsewhere a comma may be a decimal)."""
    text = units.plain(number)
    if plant.plant.units != "us" or not re.fullmatch(r"-?\d+", text):
        return text
    return f"{int(text):,}"


def written_unit(notice: Notice, plant: Plant) -> str:
    """The unit a plant's own analogue signal was written in, "" for all else; a rate brings its unit with it."""
    if notice.kind not in ("analogue_high", "analogue_low"):
        return ""
    for b in plant.boilers:
        if b.name == notice.target and notice.name in WATCHED:
            signal: Watched | None = getattr(b, notice.name)
            return signal.range.unit if signal is not None else ""
    return next((a.range.unit for a in plant.analogues if a.name == notice.target), "")


def where(notice: Notice, plant: Plant) -> tuple[str, str]:
    """Where it is as (short for the subject, in full for the body): ("B1", "boiler B1")."""
    target, kind = clean(notice.target), notice.kind
    if target == "logger" or kind.startswith("logger_"):
        return "logger", "the logger itself (this service and its PC)"
    if any(b.name == target for b in plant.boilers):
        return target, f"boiler {target}"
    for word, found in _parts(kind, target, plant):
        return f"{word} {target}", f"{word} {target}" + (f", serves {', '.join(found)}" if found else "")
    return (target, target) if target else ("plant", "the plant")


def _parts(kind: str, target: str, plant: Plant) -> list[tuple[str, tuple[str, ...]]]:
    tables: list[tuple[str, str, dict[str, tuple[str, ...]]]] = [
        ("link", "link", {x.name: () for x in plant.links}),
        ("module", "module", {x.name: () for x in plant.modules}),
        ("tank", "tank", {x.name: x.serves for x in plant.tanks}),
        ("analogue", "signal", {x.name: x.serves for x in plant.analogues}),
        ("meter", "meter", {x.name: x.serves for x in plant.meters}),
        ("pump", "chemical", {x.name: x.serves for x in plant.chemicals}),
        ("chemical", "chemical", {x.name: x.serves for x in plant.chemicals}),
        ("makeup", "meter", {x.name: x.serves for x in plant.meters}),
    ]
    tables.sort(key=lambda t: not kind.startswith(t[0]))  # one name may serve two parts: the kind says which is meant
    return [(word, names[target]) for _, word, names in tables if target in names]
