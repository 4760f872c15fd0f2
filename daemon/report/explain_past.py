"""The past as the engine saw it: a stored group, the plant file in force then, and the engine's state after it.

Reads the store; works the state out by the very step of the service, which is handed in. A state is reckoned from the
newest usable snapshot before the group; where there is none, from the store's beginning, or, in a long store, from
`REACH` groups before: what went before that is then not known, and said so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Final
from zoneinfo import ZoneInfo

from config.model import Plant
from config.places import Places
from daemon.core.outcome import Derived, GroupOutcome
from daemon.core.say import System, in_plant_units, minutes
from daemon.core.scan import Group
from daemon.core.tags import DerivedTag, derived_tags
from daemon.engine import FORMAT, SnapshotError, State, restore
from daemon.report.explain_parts import num
from daemon.report.tables import site_time
from daemon.store.reader import Reader
from daemon.store.records import PlantVersion, StoredGroup

REACH: Final = 20_000
"""Groups stepped again at most: more than two days of polls every 10 s, and a few seconds of work."""
NEAR: Final = 1_000
"""As many for a signal, of which only the last minutes matter."""
DAY: Final = 9_000
"""As many for what goes by hours: samples, states, rates, delays."""

LOOK_BACK: Final = 60_000
"""Groups looked through for the last value of a tag: a week of polls every 10 s."""

Advance = Callable[[State | None, Group, Callable[[int], Plant]], tuple[State, GroupOutcome]]
Seen = Callable[[StoredGroup, State, GroupOutcome], None]


@dataclass(frozen=True, slots=True)
class Known:
    """The engine's state after a group; `since_ms`: nothing before it is known, None when all is."""

    number: int
    state: State
    since_ms: int | None


class Past:
    """States after stored groups, each worked out once."""

    def __init__(
        self,
        reader: Reader,
        advance: Advance,
        progress: Callable[[int], None] = lambda n: None,
        *,
        reach: int = REACH,
    ) -> None:
        self.reader, self.reach = reader, reach
        self._advance, self._progress = advance, progress
        self._known: dict[int, Known] = {}
        self._places: dict[int, Places] = {}
        self._nearer: dict[int, Past] = {}

    def reaching(self, groups: int) -> Past:
        """The same past, of which no more groups are stepped again: what a number needs, and no more waiting."""
        if groups >= self.reach:
            return self
        if groups not in self._nearer:
            self._nearer[groups] = Past(self.reader, self._advance, self._progress, reach=groups)
        return self._nearer[groups]

    def whole(self, number: int) -> bool:
        """Whether the state after a group can be known with all that went before it."""
        known, first = self._base(number), self.reader.first_number()
        return known.since_ms is None if known else first is not None and first > number - self.reach

    def tell(self, done: int) -> None:
        """Say how far a long look has come."""
        if done and done % 500 == 0:
            self._progress(done)

    def after(self, number: int) -> Known | None:
        """The state after a group, None before the first."""
        known = self._base(number)
        if known is None:
            after = max(number - self.reach, -1)
            first = self.reader.first_number()
            bounded = first is not None and first <= after
        elif known.number == number:
            return known
        else:
            after, bounded = known.number, False
        return self._walk(known, after, number, bounded)

    def walk(self, after: int, number: int, seen: Seen) -> Known | None:
        """The state after a group, every step from another one on shown to `seen`."""
        known = self.after(after)
        return self._walk(known, known.number if known else -1, number, False, seen)

    def _walk(
        self, known: Known | None, after: int, number: int, bounded: bool, seen: Seen | None = None
    ) -> Known | None:
        state, since = (known.state, known.since_ms) if known else (None, None)
        for done, stored in enumerate(self.reader.groups_after(after), 1):
            if stored.group.number > number:
                break
            if bounded and state is None:
                since = stored.group.at_ms
            state, outcome = self._advance(state, stored.group, self.reader.plant)
            if seen is not None:
                seen(stored, state, outcome)
            self.tell(done)
        if state is None:
            return None
        found = Known(number, state, since)
        self._known[number] = found
        return found

    @cached_property
    def versions(self) -> Mapping[int, PlantVersion]:
        """Every plant file that ever held."""
        return {v.version: v for v in self.reader.plant_versions()}

    def places(self, version: int) -> Places:
        """The lines of a plant file."""
        if version not in self._places:
            self._places[version] = Places(self.versions[version].text)
        return self._places[version]

    def step(self, state: State | None, stored: StoredGroup) -> GroupOutcome:
        """What one group leads to after a state."""
        return self._advance(state, stored.group, self.reader.plant)[1]

    def _base(self, number: int) -> Known | None:
        """The nearest state known at or before a group."""
        near = max((n for n in self._known if number - self.reach <= n <= number), default=-1)
        for snapshot in self.reader.snapshots():  # newest first
            if not max(near, number - self.reach) < snapshot.group <= number or snapshot.format != FORMAT:
                continue
            try:
                state = restore(self.reader.plant(snapshot.plant), snapshot.body)
            except SnapshotError:
                continue
            return Known(snapshot.group, state, None)
        return self._known[near] if near >= 0 else None


class Scene:
    """One stored group with all that held when it was taken."""

    def __init__(self, past: Past, stored: StoredGroup) -> None:
        self.past, self.stored = past, stored
        self.reader, self.group = past.reader, stored.group
        self.plant = past.reader.plant(stored.group.plant)
        self.zone = ZoneInfo(self.plant.plant.zone)
        self.system: System = self.plant.plant.units

    @cached_property
    def version(self) -> PlantVersion:
        """The plant file in force."""
        return self.past.versions[self.group.plant]

    @cached_property
    def places(self) -> Places:
        """Its lines."""
        return self.past.places(self.group.plant)

    @cached_property
    def now(self) -> Known:
        """The engine's state after the group."""
        _ = self.before  # on the way: it is wanted too, and this is one step from it
        found = self.past.after(self.group.number)
        assert found is not None
        return found

    @cached_property
    def before(self) -> Known | None:
        """The engine's state before the group; None when it is the first one known."""
        previous = next(iter(self.reader.groups_before(self.group.number - 1)), None)
        return None if previous is None else self.past.after(previous.group.number)

    def tags(self) -> tuple[DerivedTag, ...]:
        """The plant's derived tags."""
        return derived_tags(self.plant)

    def last_of(self, tag: DerivedTag, before: int | None = None) -> tuple[StoredGroup, Derived] | None:
        """The last value of a derived tag stored at or before the scene's group, none after group `before`."""
        index: dict[int, int] = {}
        for n, stored in enumerate(self.reader.groups_before(self.group.number if before is None else before)):
            self.past.tell(n)
            if n >= LOOK_BACK:
                break
            version = stored.group.plant
            if version not in index:
                tags = derived_tags(self.reader.plant(version))
                index[version] = next((i for i, t in enumerate(tags) if t.name == tag.name), -1)
            for d in reversed(stored.derived):
                if d.tag == index[version]:
                    return stored, d
        return None

    def derived_again(self) -> tuple[Derived, ...]:
        """What stepping the group again derives."""
        known = self.before
        return self.past.step(known.state if known else None, self.stored).derived

    def at(self, stored: StoredGroup) -> Scene:
        """The scene of another group."""
        return self if stored.group.number == self.group.number else Scene(self.past, stored)

    # ------------------------------------------------------------------ words

    def clock(self, at_ms: int) -> str:
        """An instant on the plant's clock: "2026-11-24 06:31:40 CST"."""
        return f"{site_time(at_ms, self.zone):%Y-%m-%d %H:%M:%S %Z}"

    def hour(self, at_ms: int) -> str:
        """An instant near the group's: "06:31:40", with its date when it is another day."""
        when, here = site_time(at_ms, self.zone), site_time(self.group.at_ms, self.zone)
        return f"{when:%H:%M:%S}" if _near(when, here) else f"{when:%Y-%m-%d %H:%M:%S}"

    def both(self, value: float, unit: str) -> str:
        """A value in the plant's unit, and in the base unit where that is another one."""
        if unit == "s":
            return f"{minutes(round(value * 1000))} ({num(value)} s)" if value >= 120 else f"{num(value)} s"
        number, shown = in_plant_units(value, unit, self.system)
        text = f"{num(number)} {shown}".rstrip()
        return text if shown == unit else f"{text} ({num(value)} {unit})"

    def both_difference(self, value: float, unit: str) -> str:
        """As `both`, of a difference: a degree Celsius is 1.8 degrees Fahrenheit, wherever the scales begin."""
        zero, shown = in_plant_units(0.0, unit, self.system)
        text = f"{num(in_plant_units(value, unit, self.system)[0] - zero)} {shown}".rstrip()
        return text if shown == unit else f"{text} ({num(value)} {unit})"


def _near(a: datetime, b: datetime) -> bool:
    return a.date() == b.date() and a.utcoffset() == b.utcoffset()
