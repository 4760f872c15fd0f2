"""Stored groups to rows of readings in the plant's own units: one row an instant, one column a tag.

Wide, because that is what opens and filters easily in a spreadsheet. Every conductivity, probe and figure column has
its quality beside it; what is not good of the other tags is told in words in the last column. A representative
conductivity stands only in the row in which it was taken, a blow's mass in that of its end; boiler state, valve, meter
totals and figures stand in every row from the first known on, a valve only while the contacts that show it are read.
Values are worked out from the stored counts by the plant version in force, as live. A tag that several versions know
has one column, or one for each unit.

Pure but for the reader it is given. May import: config, daemon.core, daemon.measure, daemon.store.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from config.model import Plant
from daemon.core.reasons import Quality, quality, words
from daemon.core.say import System, in_plant_units
from daemon.core.tags import PACING, STATES, DerivedTag, RawTag, derived_tags, raw_tags
from daemon.measure.current_loop import to_reading
from daemon.report.days import DayBook
from daemon.store.reader import Reader
from daemon.store.records import StoredGroup

Cell = float | int | str | None

LOOK_BACK_MS: Final = 900_000
"""States and totals are stored anew every ten minutes: that far back they are found."""

_WITH_QUALITY: Final = (".conductivity", ".dissolved_solids", ".probe")
_SHOWS_VALVE: Final = ("valve_command", "valve_open_switch", "valve_shut_switch", "valve_position")
"""The first of these that is wired says whether the valve is open."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: the tag's name, the unit its numbers are in ("" for words and plain counts)."""

    tag: str
    unit: str
    quality: bool = False  # the quality column of the tag, in words

    @property
    def head(self) -> str:
        """The header cell."""
        if self.quality:
            return f"{self.tag} quality"
        return f"{self.tag} ({self.unit})" if self.unit else self.tag


@dataclass(frozen=True, slots=True)
class Row:
    """One instant. `cells` in the order of the columns; `not_good`: the other tags' faults in words."""

    at_ms: int
    cells: list[Cell]
    not_good: str


@dataclass(frozen=True, slots=True)
class _Known:
    """What one plant version makes of its stored groups: places of its tags among the columns, -1 for none."""

    raw: tuple[tuple[RawTag, int, int, int], ...]  # tag, its place, its quality's, that of the valve it shows
    derived: tuple[tuple[DerivedTag, int, int], ...]


class Sheet:
    """The columns of a plant, and the way from a stored group to a row.

    `plant` gives the first columns and the units of all; those that only `older` versions know follow.
    """

    def __init__(self, plant: Plant, plant_of: Callable[[int], Plant], older: Iterable[Plant] = ()) -> None:
        self._system: System = plant.plant.units
        self._plant_of = plant_of
        every = (c for p in (plant, *older) for c in _columns(p, self._system))
        self.columns = tuple(dict.fromkeys(every))
        self._places = {c: i for i, c in enumerate(self.columns)}
        self._known: dict[int, _Known] = {}
        self._standing: list[Cell] = [None] * len(self.columns)
        self._unread: set[int] = set()
        self.days = DayBook(plant, plant_of)
        """Filled while `rows` go by."""

    def rows(self, reader: Reader, from_ms: int, to_ms: int) -> Iterator[Row]:
        """One row for each group that holds a scan, `from_ms` <= t < `to_ms`. What stood at the start is looked up."""
        for stored in reader.groups(from_ms - LOOK_BACK_MS, to_ms):
            row = self._row(stored)
            if stored.group.at_ms >= from_ms:
                self.days.take(stored)
            if stored.group.scans and stored.group.at_ms >= from_ms:
                yield row

    def _place(self, tag: str, unit: str, beside: bool = False) -> int:
        shown = in_plant_units(0.0, unit, self._system)[1] if unit and not beside else ""
        return self._places.get(Column(tag, shown, beside), -1)

    def _tags(self, version: int) -> _Known:
        if version not in self._known:
            plant = self._plant_of(version)
            raw = raw_tags(plant)
            names = {t.name for t in raw}
            shows: dict[str, int] = {}
            for b in plant.boilers:
                wired = (f"{b.name}.{s}" for s in _SHOWS_VALVE)
                shows |= dict.fromkeys([n for n in wired if n in names][:1], self._place(f"{b.name}.valve", ""))
            self._known[version] = _Known(
                tuple(
                    (t, self._place(t.name, t.unit), self._place(t.name, "", True), shows.get(t.name, -1)) for t in raw
                ),
                tuple((t, self._place(t.name, t.unit), self._place(t.name, "", True)) for t in derived_tags(plant)),
            )
        return self._known[version]

    def _row(self, stored: StoredGroup) -> Row:
        group = stored.group
        known = self._tags(group.plant)
        bad: list[str] = []
        cells = self._derived(stored, known)
        at = {scan.module: k for k, scan in enumerate(group.scans)}
        for tag, place, beside, valve in known.raw:
            k = at.get(tag.module)
            if place < 0 or k is None:
                continue
            count, verdict = group.scans[k].counts[tag.channel], stored.verdicts[k][tag.channel]
            cells[place] = self._value(tag, count, group.at_ms)
            if beside >= 0:
                cells[beside] = words(verdict)
            elif verdict:
                bad.append(f"{tag.name}: {words(verdict)}")
            if valve >= 0 and (count is None or quality(verdict) is Quality.BAD):
                self._unread.add(valve)
            else:
                self._unread.discard(valve)
        for valve in self._unread:
            cells[valve] = None
        return Row(group.at_ms, cells, "; ".join(bad))

    def _value(self, tag: RawTag, count: float | int | None, at_ms: int) -> Cell:
        if count is None:
            return None
        if tag.kind == "contact":
            return "closed" if count else "open"
        if tag.kind != "analogue":
            return count
        found = to_reading(count, tag, at_ms)
        return None if found.value is None else in_plant_units(found.value, found.unit, self._system)[0]

    def _derived(self, stored: StoredGroup, known: _Known) -> list[Cell]:
        """A row's cells with what stands, and what this group brought."""
        once: dict[int, Cell] = {}
        cells_of: dict[int, Cell] | list[Cell]
        for d in stored.derived:
            tag, place, beside = known.derived[d.tag]
            if place < 0:
                continue
            value: Cell
            said = f"{quality(d.reason).value}" + (f": {words(d.reason)}" if d.reason else "")
            if (tag.figure or tag.what == "volume") and quality(d.reason) is Quality.BAD:
                value = None
            elif tag.what == "state":
                value = STATES[int(d.value)]
            elif tag.what == "valve":
                value = "open" if d.value else "shut"
            elif tag.what == "pacing":
                value = PACING[int(d.value)]
            else:
                value = in_plant_units(d.value, tag.unit, self._system)[0] if tag.unit else d.value
            cells_of = (
                once
                if tag.what in ("conductivity", "dissolved_solids", "rate", "mass_rate", "event")
                else self._standing
            )
            cells_of[place] = value
            if beside >= 0:
                cells_of[beside] = said
        cells = self._standing.copy()
        for place, value in once.items():
            cells[place] = value
        return cells


def sheet_of(reader: Reader, plant: Plant, from_ms: int, to_ms: int) -> Sheet:
    """The sheet of a stretch: columns of `plant`, then those of the versions that held within it, newest first."""
    versions = reader.plant_versions()
    ends = [v.from_ms for v in versions[1:]] + [to_ms]
    held = [
        v.version
        for i, (v, end) in enumerate(zip(versions, ends, strict=True))
        if (i == 0 or v.from_ms < to_ms) and end >= from_ms - LOOK_BACK_MS
    ]
    return Sheet(plant, reader.plant, [reader.plant(v) for v in reversed(held)])


def _columns(plant: Plant, system: System) -> Iterator[Column]:
    derived = {t.name: t for t in derived_tags(plant)}
    raw = {t.name: t for t in raw_tags(plant)}
    done: set[str] = set()

    def one(name: str, unit: str) -> Iterator[Column]:
        done.add(name)
        shown = in_plant_units(0.0, unit, system)[1] if unit else ""
        yield Column(name, shown)
        if name.endswith(_WITH_QUALITY) or (name in derived and derived[name].figure):
            yield Column(name, "", quality=True)

    figures = [d for d in derived.values() if d.figure]
    for b in plant.boilers:
        for what in ("conductivity", "dissolved_solids", "probe", "state", "valve"):
            name = f"{b.name}.{what}"
            if name in derived:
                yield from one(name, derived[name].unit)
            elif name in raw:
                yield from one(name, raw[name].unit)
        for d in figures:
            if d.target == b.name:
                yield from one(d.name, d.unit)
        for name, tag in raw.items():
            if tag.target == b.name and name not in done:
                yield from one(name, tag.unit)
    for name, d in derived.items():
        if name not in done:
            yield from one(name, d.unit)
    for name, tag in raw.items():
        if name not in done:
            yield from one(name, tag.unit if tag.kind == "analogue" else "")
