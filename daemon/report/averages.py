"""Hours or days of every tag as rows: mean, least and greatest in the plant's own units, contacts as shares of time.

Least and greatest are those of all readings, none of them missed. A total stands as it was at the end of the hour or
day, a boiler's state as it was last told in it. Pure but for the reader it is given. May import: config, daemon.core,
daemon.store.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal
from zoneinfo import ZoneInfo

from config.model import Plant
from daemon.core.say import in_plant_units
from daemon.core.tags import PACING, STATES, derived_tags, raw_tags
from daemon.store.figures import Figures
from daemon.store.history import History
from daemon.store.reader import Reader

Each = Literal["hour", "day"]
Cell = float | int | str | datetime | None
Make = Callable[[Figures], Cell]

_LAST: Final = ("total", "mass", "day", "today", "counter")  # what only grows: its mean says nothing
_WITH_SHARE: Final = (".conductivity", ".dissolved_solids", ".probe")


@dataclass(frozen=True, slots=True)
class _Column:
    head: str
    tag: int  # place among the tags
    make: Make


class Averages:
    """The columns of a plant's hours or days, and the way to the rows."""

    def __init__(self, reader: Reader, plant: Plant, each: Each) -> None:
        self._history, self._each = History(reader), each
        self._zone = ZoneInfo(plant.plant.zone)
        self._plant = plant
        kinds: dict[str, str] = {t.name: "counter" if t.kind == "raw" else t.kind for t in raw_tags(plant)}
        kinds |= {d.name: d.what for d in derived_tags(plant)}
        self._tags = tuple(kinds)
        self._columns = [c for i, (name, kind) in enumerate(kinds.items()) for c in self._of(i, name, kind)]
        self.heads: list[str] = ["from", *(c.head for c in self._columns)]

    def _of(self, place: int, name: str, kind: str) -> Iterator[_Column]:
        unit = self._history.use(name).unit
        system = self._plant.plant.units

        def shown(value: float) -> float:
            return in_plant_units(value, unit, system)[0] if unit else float(value)

        label = in_plant_units(0.0, unit, system)[1] if unit else ""
        behind = f" ({label})" if label else ""
        if kind in ("contact", "valve"):
            word = "closed" if kind == "contact" else "open"
            yield _Column(f"{name} {word} (%)", place, lambda f: 100 * f.mean)
        elif kind in ("state", "pacing"):
            words = STATES if kind == "state" else PACING
            yield _Column(f"{name} last", place, lambda f: words[int(f.last)])
        elif kind in _LAST:
            yield _Column(f"{name} last{behind}", place, lambda f: shown(f.last))
        else:
            yield _Column(f"{name} mean{behind}", place, lambda f: shown(f.mean))
            yield _Column(f"{name} least{behind}", place, lambda f: shown(f.least))
            yield _Column(f"{name} greatest{behind}", place, lambda f: shown(f.greatest))
            if name.endswith(_WITH_SHARE):
                yield _Column(f"{name} good (%)", place, lambda f: 100 * f.share_good)

    def rows(self, from_ms: int, to_ms: int) -> Iterator[list[Cell]]:
        """One row for each hour or day that holds a reading, by its begin."""
        ask = self._history.hours if self._each == "hour" else self._history.days
        for begin_ms, _, figures in ask(self._tags, from_ms, to_ms):
            cells: list[Cell] = [datetime.fromtimestamp(begin_ms // 1000, self._zone)]
            for c in self._columns:
                f = figures[c.tag]
                cells.append(c.make(f) if f is not None and f.count else None)
            yield cells
