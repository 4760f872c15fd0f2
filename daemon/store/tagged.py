"""What a tag's name means under each plant version: which channel or which derived tag, and the way to a value.

Pure but for the plants it is given. May import: config, daemon.core, daemon.measure.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from config.model import Plant
from daemon.core.scan import Count
from daemon.core.tags import DerivedTag, RawTag, derived_tags, raw_tags
from daemon.measure.current_loop import Line, line
from daemon.store.figures import BAD, Figures


@dataclass(frozen=True, slots=True)
class Use:
    """A tag under one plant version: a channel, or a derived tag by its place (-1: it is none)."""

    unit: str
    module: int = -1
    channel: int = -1
    derived: int = -1
    line: Line | None = None  # of a 4-20 mA signal or a printed number; None: the count is the value
    kind: str = ""  # of a channel: analogue, contact, counter, raw; of a derived tag its `what`

    def read(self, count: Count | None) -> Count | None:
        """The value, None where there is no count, or where a loop is open or short."""
        if count is None:
            return None
        if self.line is None:
            return count
        return None if self.line.reason(count) in BAD else self.line.value(count)

    def figures(
        self,
        seen: int,
        count: int,
        good: int,
        least: Count,
        greatest: Count,
        first: Count,
        last: Count,
        total: float,
    ) -> Figures:
        """Figures of counts as those of values."""
        if self.line is None or not count:
            return Figures(seen, count, good, least, greatest, first, last, total)
        value = self.line.value
        low, high = value(least), value(greatest)
        if low > high:
            low, high = high, low
        whole = count * value(0) + total * self.line.gain
        return Figures(seen, count, good, low, high, value(first), value(last), whole)


class Tags:
    """Uses by plant version and name."""

    def __init__(self, plant_of: Callable[[int], Plant]) -> None:
        self._plant_of = plant_of
        self._listed: dict[int, dict[str, RawTag | tuple[int, DerivedTag]]] = {}
        self._known: dict[tuple[int, str], Use | None] = {}

    def use(self, version: int, name: str) -> Use | None:
        """The use of a tag, None where that version does not know it."""
        key = version, name
        if key not in self._known:
            tag = self._list(version).get(name)
            self._known[key] = None if tag is None else _use(tag)
        return self._known[key]

    def names(self, version: int) -> tuple[str, ...]:
        """Every tag of a version: signals, then what is worked out from them."""
        return tuple(self._list(version))

    def _list(self, version: int) -> dict[str, RawTag | tuple[int, DerivedTag]]:
        if version not in self._listed:
            plant = self._plant_of(version)
            listed: dict[str, RawTag | tuple[int, DerivedTag]] = {}
            for tag in raw_tags(plant):
                listed.setdefault(tag.name, tag)
            for i, derived in enumerate(derived_tags(plant)):
                listed.setdefault(derived.name, (i, derived))
            self._listed[version] = listed
        return self._listed[version]


def _use(tag: RawTag | tuple[int, DerivedTag]) -> Use:
    if isinstance(tag, tuple):
        place, derived = tag
        return Use(derived.unit, derived=place, kind=derived.what)
    straight = line(tag) if tag.kind == "analogue" else None
    return Use(straight.unit if straight else "", tag.module, tag.channel, line=straight, kind=tag.kind)
