"""Stored groups to rows of readings in the plant's own units: one row an instant, one column a tag.

Wide, because that is what opens and filters easily in a spreadsheet. Every conductivity and probe column has its
quality beside it; what is not good of the other tags is told in words in the last column. A representative
conductivity stands only in the row in which it was taken; boiler state, valve and meter totals stand in every row
from the first known on. Values are worked out from the stored counts by the plant version in force, as live.

Pure but for the reader it is given. May import: config, daemon.core, daemon.measure, daemon.store.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from config.model import Plant
from daemon.core.reasons import quality, words
from daemon.core.say import System, in_plant_units
from daemon.core.tags import STATES, DerivedTag, RawTag, derived_tags, raw_tags
from daemon.measure.current_loop import to_reading
from daemon.store.reader import Reader
from daemon.store.records import StoredGroup

Cell = float | int | str | None

LOOK_BACK_MS: Final = 900_000
"""States and totals are stored anew every ten minutes: that far back they are found."""

_WITH_QUALITY: Final = (".conductivity", ".probe")


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


class Sheet:
    """The columns of a plant, and the way from a stored group to a row.

    `plant` gives the columns; groups of other plant versions fill those whose tag they know.
    """

    def __init__(self, plant: Plant, plant_of: Callable[[int], Plant]) -> None:
        self._system: System = plant.plant.units
        self._plant_of = plant_of
        self.columns = tuple(_columns(plant, self._system))
        self._place = {(c.tag, c.quality): i for i, c in enumerate(self.columns)}
        self._known: dict[int, tuple[tuple[RawTag, ...], tuple[DerivedTag, ...]]] = {}
        self._standing: list[Cell] = [None] * len(self.columns)

    def rows(self, reader: Reader, from_ms: int, to_ms: int) -> Iterator[Row]:
        """One row for each group that holds a scan, both ends included. What stood at the start is looked up."""
        for stored in reader.groups(from_ms - LOOK_BACK_MS, to_ms):
            row = self._row(stored)
            if stored.group.scans and stored.group.at_ms >= from_ms:
                yield row

    def _tags(self, version: int) -> tuple[tuple[RawTag, ...], tuple[DerivedTag, ...]]:
        if version not in self._known:
            plant = self._plant_of(version)
            self._known[version] = raw_tags(plant), derived_tags(plant)
        return self._known[version]

    def _row(self, stored: StoredGroup) -> Row:
        group = stored.group
        raw, _ = self._tags(group.plant)
        cells: list[Cell] = []
        bad: list[str] = []
        self._derived(stored, cells)
        at = {scan.module: k for k, scan in enumerate(group.scans)}
        for tag in raw:
            place = self._place.get((tag.name, False))
            k = at.get(tag.module)
            if place is None or k is None:
                continue
            count, verdict = group.scans[k].counts[tag.channel], stored.verdicts[k][tag.channel]
            cells[place] = self._value(tag, count, group.at_ms)
            beside = self._place.get((tag.name, True))
            if beside is not None:
                cells[beside] = words(verdict)
            elif verdict:
                bad.append(f"{tag.name}: {words(verdict)}")
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

    def _derived(self, stored: StoredGroup, cells: list[Cell]) -> None:
        """Start a row with what stands, and put in what this group brought."""
        _, derived = self._tags(stored.group.plant)
        once: dict[int, Cell] = {}
        for d in stored.derived:
            tag = derived[d.tag]
            place = self._place.get((tag.name, False))
            if place is None:
                continue
            value: Cell
            if tag.what == "state":
                value = STATES[int(d.value)]
            elif tag.what == "valve":
                value = "open" if d.value else "shut"
            else:
                value = in_plant_units(d.value, tag.unit, self._system)[0]
            if tag.what in ("conductivity", "rate"):
                once[place] = value
                beside = self._place.get((tag.name, True))
                if beside is not None:
                    once[beside] = f"{quality(d.reason).value}" + (f": {words(d.reason)}" if d.reason else "")
            else:
                self._standing[place] = value
        cells[:] = self._standing
        for place, value in once.items():
            cells[place] = value


def _columns(plant: Plant, system: System) -> Iterator[Column]:
    derived = {t.name: t for t in derived_tags(plant)}
    raw = {t.name: t for t in raw_tags(plant)}
    done: set[str] = set()

    def one(name: str, unit: str) -> Iterator[Column]:
        done.add(name)
        shown = in_plant_units(0.0, unit, system)[1] if unit else ""
        yield Column(name, shown)
        if name.endswith(_WITH_QUALITY):
            yield Column(name, "", quality=True)

    for b in plant.boilers:
        for what in ("conductivity", "probe", "state", "valve"):
            name = f"{b.name}.{what}"
            if name in derived:
                yield from one(name, derived[name].unit)
            elif name in raw:
                yield from one(name, raw[name].unit)
        for name, tag in raw.items():
            if tag.target == b.name and name not in done:
                yield from one(name, tag.unit)
    for name, d in derived.items():
        if name not in done:
            yield from one(name, d.unit)
    for name, tag in raw.items():
        if name not in done:
            yield from one(name, tag.unit if tag.kind == "analogue" else "")
