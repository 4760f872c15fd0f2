"""The figures of minutes, hours and days, kept as groups are stored, and worked out again where they are missing.

Lives here: which groups make one minute, hour and day, what is remembered between commits, and the rows of both. May
import: config, daemon.core, this room. Synchronous; runs in the writing connection's thread.

A group is only remembered; the row of a minute is reckoned and written in the transaction of the first group after it,
an hour's from its minutes and a day's from its hours in the same way. So what is stored is complete up to the last row,
and after a kill the open minute is reckoned from the stored groups of that minute. Minutes, hours and days are those of
the dates as written; each row belongs to one clock segment and one plant version, and names its groups by their first
and last number.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

import apsw

from config.model import Plant
from daemon.core.outcome import Derived
from daemon.core.plant_days import day_of, midnight_ms
from daemon.core.scan import Scan
from daemon.store.figures import Body, FigureLayout
from daemon.store.packing import Layout, Verdicts, unpack_derived
from daemon.store.query import every, first

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 3_600_000
TABLES: Final = ("rollup_minute", "rollup_hour", "rollup_day")

ROW: Final = "first_group, last_group, segment, plant, at_ms, body"
INSERT: Final = tuple(f"INSERT INTO {table} ({ROW}) VALUES (?, ?, ?, ?, ?, ?)" for table in TABLES)

_SOME_DAYS: Final = range(date(2015, 1, 1).toordinal(), date(2045, 1, 1).toordinal(), 45)

Key = tuple[int, int, int]
"""Segment, plant version, and the begin of the minute, hour or day in ms."""
Row = tuple[int, int, int, int, int, bytes]
Stored = tuple[tuple[Scan, ...], Verdicts, tuple[Derived, ...]]


class Grid:
    """Which minute, hour and day an instant of a plant's version belongs to."""

    __slots__ = ("_day", "_from", "_hour", "_until", "cuts_hours", "zone")

    def __init__(self, plant: Plant) -> None:
        self.zone = ZoneInfo(plant.plant.zone)
        self.cuts_hours = _cuts_hours(plant.plant.zone)
        """Whether the plant's midnight may lie within an hour."""
        self._from = self._until = self._hour = self._day = 0  # the hour asked for last: mostly the next one asked for

    def begins(self, at_ms: int) -> tuple[int, int, int]:
        """When the minute, the hour and the day of an instant begin.

        An hour that the plant's midnight cuts (a zone of half hours) is two: each belongs to one day.
        """
        if not self._from <= at_ms < self._until:
            day = midnight_ms(day_of(at_ms, self.zone), self.zone)
            hour = max(at_ms - at_ms % HOUR_MS, day)
            self._from, self._until, self._hour, self._day = hour, self.end(1, hour), hour, day
        return at_ms - at_ms % MINUTE_MS, self._hour, self._day

    def end(self, level: int, begin_ms: int) -> int:
        """When a minute (0), an hour (1) or a day (2) that begins then ends."""
        if level == 0:
            return begin_ms + MINUTE_MS
        midnight = midnight_ms(day_of(begin_ms, self.zone) + 1, self.zone)
        return midnight if level == 2 else min(begin_ms - begin_ms % HOUR_MS + HOUR_MS, midnight)


@dataclass(slots=True)
class _Open:
    """An hour or a day that goes on: its parts so far."""

    key: Key
    first: int
    last: int
    parts: list[Body] = field(default_factory=list)


@dataclass(slots=True)
class Closing:
    """Rows that the next commit writes, and what stays open after it."""

    rows: list[tuple[int, Row]] = field(default_factory=list)  # level, row
    hour: _Open | None = None
    day: _Open | None = None


class Known:
    """Layouts and grids by plant version."""

    def __init__(self, plant_of: Callable[[int], Plant], layout_of: Callable[[int], Layout]) -> None:
        self._plant_of, self.layout_of = plant_of, layout_of
        self._figures: dict[int, FigureLayout] = {}
        self._grids: dict[int, Grid] = {}

    def figures(self, version: int) -> FigureLayout:
        if version not in self._figures:
            self._figures[version] = FigureLayout(self._plant_of(version))
        return self._figures[version]

    def grid(self, version: int) -> Grid:
        if version not in self._grids:
            self._grids[version] = Grid(self._plant_of(version))
        return self._grids[version]


class Roller:
    """What is remembered of the open minute, hour and day."""

    __slots__ = ("_day", "_end_ms", "_first", "_groups", "_hour", "_key", "_known", "last")

    def __init__(self, known: Known) -> None:
        self._known = known
        self.last: int | None = None  # number of the last group taken, None when nothing is remembered
        self._forget()

    def _forget(self) -> None:
        self._key: Key | None = None
        self._end_ms = 0
        self._first = 0
        self._groups: list[Stored] = []
        self._hour: _Open | None = None
        self._day: _Open | None = None

    def belongs(self, segment: int, plant: int, at_ms: int) -> bool:
        """True when a group is of the open minute: nothing closes with it."""
        key = self._key
        return key is not None and key[2] <= at_ms < self._end_ms and key[0] == segment and key[1] == plant

    def closing(self, segment: int, plant: int, at_ms: int) -> Closing:
        """What the commit of a group must write that is not of the open minute. Changes nothing."""
        made = Closing(hour=self._hour, day=self._day)
        if self._key is None or self.last is None:
            return made
        figures, grid = self._known.figures(self._key[1]), self._known.grid(self._key[1])
        scans, verdicts, derived = zip(*self._groups, strict=True)
        body = figures.reckon(scans, verdicts, derived)
        made.rows.append((0, (self._first, self.last, *self._key, figures.pack(body, 0))))
        _, hour, day = grid.begins(self._key[2])
        hour_key, day_key = (*self._key[:2], hour), (*self._key[:2], day)
        open_hour = _with(self._hour, hour_key, self._first, self.last, body)
        same = (segment, plant) == self._key[:2]
        _, next_hour, next_day = grid.begins(at_ms)
        if same and next_hour == hour:
            made.hour = open_hour
            return made
        body = figures.join(open_hour.parts)
        made.hour = None
        made.rows.append((1, (open_hour.first, open_hour.last, *hour_key, figures.pack(body))))
        open_day = _with(self._day, day_key, open_hour.first, open_hour.last, body)
        if same and next_day == day:
            made.day = open_day
            return made
        made.day = None
        packed = figures.pack(figures.join(open_day.parts))
        made.rows.append((2, (open_day.first, open_day.last, *day_key, packed)))
        return made

    def begin(self, closed: Closing, segment: int, plant: int, at_ms: int, number: int, stored: Stored) -> None:
        """A group that began a new minute is stored, and so is what closed with it."""
        minute = at_ms - at_ms % MINUTE_MS
        self._key, self._end_ms, self._first = (segment, plant, minute), minute + MINUTE_MS, number
        self._hour, self._day = closed.hour, closed.day
        self._groups = [stored]
        self.last = number

    def add(self, number: int, stored: Stored) -> None:
        """A group of the open minute is stored."""
        self._groups.append(stored)
        self.last = number

    def first_open(self, level: int) -> int | None:
        """The first group of the open minute (0), hour (1) or day (2); None when nothing is remembered."""
        if self._key is None:
            return None
        starts = [self._first]
        if level >= 1 and self._hour is not None:
            starts.append(self._hour.first)
        if level == 2 and self._day is not None:
            starts.append(self._day.first)
        return min(starts)

    # ------------------------------------------------------------------ after a start

    def load(self, db: apsw.Connection) -> None:
        """Remember what the store's end leaves open. Reads the last minute, its hour's minutes and its day's hours."""
        self._forget()
        self.last = None
        newest = first(
            db, "SELECT number, segment, plant, at_ms, body, derived FROM scan_group ORDER BY number DESC LIMIT 1"
        )
        if newest is None:
            return
        number, segment, plant, at_ms = newest[:4]
        minute, hour, day = self._known.grid(plant).begins(at_ms)
        layout, figures = self._known.layout_of(plant), self._known.figures(plant)
        done = first(db, "SELECT max(last_group) FROM rollup_minute")
        after = -1 if done is None or done[0] is None else done[0]
        groups: list[tuple[int, Stored]] = []
        below = number
        while below > after:
            sql = (
                "SELECT number, segment, plant, at_ms, body, derived FROM scan_group WHERE number > ? AND number <= ? "
                "ORDER BY number DESC LIMIT 100"
            )
            found = every(db, sql, (after, below))
            for n, s, p, at, body, derived in found:
                if (s, p) != (segment, plant) or not minute <= at < minute + MINUTE_MS:
                    below = -1
                    break
                groups.append((n, _unpacked(layout, body, derived)))
                below = n - 1
            if len(found) < 100:
                break
        groups.reverse()
        if not groups:  # its minute is closed already: only when groups behind it were taken away
            return
        self._key, self._end_ms, self._first = (segment, plant, minute), minute + MINUTE_MS, groups[0][0]
        self._groups = [g for _, g in groups]
        self.last = number
        self._hour = _opened(db, 0, figures, (segment, plant, hour), self._known.grid(plant))
        self._day = _opened(db, 1, figures, (segment, plant, day), self._known.grid(plant))


@lru_cache(8)
def _cuts_hours(zone: str) -> bool:
    where = ZoneInfo(zone)
    return any(midnight_ms(day, where) % HOUR_MS for day in _SOME_DAYS)


def _with(open_: _Open | None, key: Key, first_group: int, last_group: int, body: Body) -> _Open:
    if open_ is None or open_.key != key:
        return _Open(key, first_group, last_group, [body])
    return _Open(key, open_.first, last_group, [*open_.parts, body])


def _unpacked(layout: Layout, body: bytes, derived: bytes) -> Stored:
    return (*layout.unpack(body), unpack_derived(derived))


def _opened(db: apsw.Connection, level: int, figures: FigureLayout, key: Key, grid: Grid) -> _Open | None:
    """The hour (from minutes, `level` 0) or day (from hours, 1) of `key` that is not closed yet."""
    above = first(db, f"SELECT max(last_group) FROM {TABLES[level + 1]}")
    after = -1 if above is None or above[0] is None else above[0]
    segment, plant, begin = key
    end = grid.end(level + 1, begin)
    sql = (
        f"SELECT first_group, last_group, body FROM {TABLES[level]} WHERE first_group > ? AND segment = ? "
        "AND plant = ? AND at_ms >= ? AND at_ms < ? ORDER BY first_group"
    )
    found = every(db, sql, (after, segment, plant, begin, end))
    if not found:
        return None
    return _Open(key, found[0][0], found[-1][1], [figures.unpack(r[2], level) for r in found])


def rows_of(known: Known, groups: Sequence[tuple[int, int, int, int, bytes, bytes]]) -> list[Row]:
    """The minutes that some groups (number, segment, plant, at_ms, body, derived) in order make."""
    out: list[Row] = []
    held: list[Stored] = []
    key: Key | None = None
    numbers = (0, 0)

    def close() -> None:
        if key is not None:
            figures = known.figures(key[1])
            scans, verdicts, derived = zip(*held, strict=True)
            out.append((*numbers, *key, figures.pack(figures.reckon(scans, verdicts, derived), 0)))

    for number, segment, plant, at_ms, body, derived in groups:
        here = (segment, plant, at_ms - at_ms % MINUTE_MS)
        if here != key:
            close()
            key, held, numbers = here, [], (number, number)
        held.append(_unpacked(known.layout_of(plant), body, derived))
        numbers = (numbers[0], number)
    close()
    return out
