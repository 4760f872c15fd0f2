"""What each meter passed on each day of the plant's calendar, as rows for people.

Collected while stored groups go by, for no second reading of them: a day stands in the group that ended it, and of
the last day so far. Pure but for the reader it is given. May import: config, daemon.core, daemon.store.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from config.model import Plant
from daemon.core.plant_days import day_of, hours
from daemon.core.reasons import words
from daemon.core.say import System, in_plant_units
from daemon.core.tags import DerivedTag, derived_tags
from daemon.store.reader import Reader
from daemon.store.records import StoredGroup

DAY_HEADS: Final = ("day", "meter", "total", "unit", "hours", "so far until", "remark")
AFTER_MS: Final = 900_000
"""A day is told with the first count of the next, and again every ten minutes."""

Cell = float | int | str | datetime | None


@dataclass(frozen=True, slots=True)
class _Day:
    m3: float
    unit: str
    reason: int
    until_ms: int  # so far; -1 when it has ended


class DayBook:
    """Days of meters, by date and in plant-file order."""

    def __init__(self, plant: Plant, plant_of: Callable[[int], Plant]) -> None:
        self._zone, self._system = ZoneInfo(plant.plant.zone), plant.plant.units
        self._plant_of = plant_of
        self._tags: dict[int, tuple[DerivedTag, ...]] = {}
        self._found: dict[tuple[int, str], _Day] = {}
        self._order: dict[str, int] = {m.name: i for i, m in enumerate(plant.meters)}

    def take(self, stored: StoredGroup) -> None:
        """Keep what a group says of days."""
        version, at_ms = stored.group.plant, stored.group.at_ms
        tags = self._tags.get(version)
        if tags is None:
            tags = self._tags[version] = derived_tags(self._plant_of(version))
        told = [(tags[d.tag], d) for d in stored.derived if tags[d.tag].what in ("day", "today")]
        if not told:
            return
        today = day_of(at_ms, self._zone)
        ended: dict[str, int] = {}
        for tag, d in reversed(told):  # the last of them is yesterday, the one before it the day before
            if tag.what == "today":
                self._keep(today, tag.target, _Day(d.value, tag.unit, d.reason, at_ms))
            else:
                back = ended[tag.target] = ended.get(tag.target, 0) + 1
                self._keep(today - back, tag.target, _Day(d.value, tag.unit, d.reason, -1))

    def _keep(self, day: int, meter: str, found: _Day) -> None:
        self._order.setdefault(meter, len(self._order))
        before = self._found.get((day, meter))
        if before is None or before.until_ms >= 0 or found.until_ms < 0:
            self._found[day, meter] = found

    def rows(self, reader: Reader, from_ms: int, to_ms: int) -> Iterator[tuple[Cell, ...]]:
        """The days that touch a stretch (`from_ms` <= t < `to_ms`), in the order of DAY_HEADS.

        What ended the last of them may stand just behind the stretch: it is looked for there.
        """
        for stored in reader.groups(to_ms, to_ms + AFTER_MS):
            self.take(stored)
        first, last = day_of(from_ms, self._zone), day_of(to_ms - 1, self._zone)
        for day, meter in sorted(self._found, key=lambda k: (k[0], self._order[k[1]])):
            if first <= day <= last:
                yield _row(day, meter, self._found[day, meter], self._zone, self._system)


def _row(day: int, meter: str, d: _Day, zone: ZoneInfo, system: System) -> tuple[Cell, ...]:
    value, unit = in_plant_units(d.m3, d.unit, system)
    until = datetime.fromtimestamp(d.until_ms // 1000, zone) if d.until_ms >= 0 else None
    remark = words(d.reason) if d.reason else ""
    return (
        date.fromordinal(day).isoformat(),
        meter,
        float(f"{value:.7g}"),
        unit,
        round(hours(day, zone), 2),
        until,
        remark,
    )
