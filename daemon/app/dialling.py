"""`waterside dial`: a reading of a meter's dial, as typed, to an act; and what came of it.

May import: config, daemon.core, daemon.store, daemon.app.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from config import units
from config.model import Plant
from daemon.core.say import System, in_plant_units
from daemon.core.tags import derived_tags

if TYPE_CHECKING:
    from daemon.store.reader import Reader

LOOK_BACK_MS = 900_000  # totals are stored anew every ten minutes


class DialError(Exception):
    """Nothing was entered; the text says why."""


@dataclass(frozen=True, slots=True)
class Entered:
    """What is on record now."""

    act: int
    meter: str
    note: str
    value_m3: float


def enter_dial(store: Path, tag: str, text: str, at: str | None, by: str) -> Entered:
    """Send a reading to the service of a store. DialError, AskError."""
    from daemon.app.ask import ask
    from daemon.store.reader import Reader

    with Reader(store) as reader:
        request = _request(reader, tag, text, at)
    number = ask(store, {**request, "by": by}, 30.0)["number"]
    with Reader(store) as reader:
        kept = next((m for m in reader.manual() if m.act == number), None)
    if kept is None:
        raise DialError(f"act {number} was done and its record is not there: look with `waterside status`")
    return Entered(number, kept.target, kept.note, kept.value)


def _request(reader: Reader, tag: str, text: str, at: str | None) -> dict[str, Any]:
    last = reader.last()
    if last is None:
        raise DialError("nothing has been stored yet: there is no total to set a dial beside")
    plant = reader.plant(last.plant)
    name = tag.partition(".")[0]
    meter = next((m for m in plant.meters if m.name == name), None)
    if meter is None:
        raise DialError(f"there is no meter {tag!r}; there are {', '.join(m.name for m in plant.meters) or 'none'}")
    system: System = plant.plant.units
    unit = in_plant_units(0.0, "m3 gas" if meter.measures == "fuel" else "m3", system)[1]
    value, written = reading(text, unit)
    request: dict[str, Any] = {"act": "dial", "meter": name, "value_m3": value, "written": written}
    if at is not None:
        from daemon.app.exporting import ExportError, instant_ms

        try:
            at_ms = instant_ms(at, ZoneInfo(plant.plant.zone), last.at_ms)
        except ExportError as e:
            raise DialError(str(e)) from e
        if at_ms > last.at_ms:
            raise DialError(f"--at wants a time past; found {at!r}")
        request |= {"at_ms": at_ms, "ours_m3": total_at(reader, plant, name, at_ms)}
    return request


def reading(text: str, unit: str) -> tuple[float, str]:
    """A dial as typed, in m3 and as it is kept: "48123" in the plant's own unit, or "182.4 m3". DialError."""
    text = text.strip()
    plain = re.fullmatch(units.NUMBER, text.replace(",", ""), re.ASCII)
    if plain:
        text = f"{text.replace(',', '')} {unit}"
    try:
        return units.quantity(text, "volume"), text
    except units.QuantityError as e:
        raise DialError(f"the dial {e}") from e


def total_at(reader: Reader, plant: Plant, meter: str, at_ms: int) -> float:
    """Our total (m3) at a time past: it is stored with each pulse. DialError where nothing was stored then."""
    found: float | None = None
    places: dict[int, int] = {}
    for stored in reader.groups(at_ms - LOOK_BACK_MS, at_ms + 1):
        version = stored.group.plant
        if version not in places:
            tags = [t.name for t in derived_tags(reader.plant(version))]
            places[version] = tags.index(f"{meter}.total") if f"{meter}.total" in tags else -1
        for d in stored.derived:
            if d.tag == places[version]:
                found = d.value
    if found is None:
        raise DialError(f"no total of {meter} was stored in the quarter hour before that time: give another --at")
    return found
