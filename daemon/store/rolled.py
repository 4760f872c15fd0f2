"""Rows of roll-ups as the query room wants them: one tag, in order, with the groups each row stands for.

May import: config, daemon.core, this room. Read-only, in slices. Dates as written.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Any, Final

import apsw

from config.model import Plant
from daemon.store.figures import FigureLayout, plain
from daemon.store.query import every, first
from daemon.store.reader import Reader
from daemon.store.rolling import HOUR_MS, MINUTE_MS, TABLES, Grid
from daemon.store.source import Stretch
from daemon.store.tagged import Tags

SLICE: Final = 1000

Told = tuple[Any, ...]
"""Of a tag: seen, least, greatest, first, last, sum, count, good, in counts or base units."""


@dataclass(frozen=True, slots=True)
class Slice:
    """Rows of one plant version that follow each other: first and last group, begin and end of each.

    `told`: of the tag, None where nothing was told of it; None for all where that version does not know the tag.
    """

    plant: int
    first: list[int]
    last: list[int]
    begin: list[int]
    end: list[int]
    told: Sequence[Told | None] | None


class Rolled:
    """The minutes, hours and days of a store, tag by tag."""

    def __init__(self, reader: Reader, tags: Tags) -> None:
        self._reader, self._tags = reader, tags
        self._layouts: dict[int, FigureLayout] = {}
        self._grids: dict[int, Grid] = {}

    def slices(self, level: int, tag: str, unit: str, stretch: Stretch) -> Iterator[Slice]:
        """Rows that touch a stretch, one before the first of them where there is one, and some behind the last."""
        number = self._reader.ask(lambda db: _begin(db, TABLES[level], stretch))
        sql = (
            f"SELECT first_group, last_group, at_ms, plant, body FROM {TABLES[level]} "
            "WHERE first_group BETWEEN ? AND ? ORDER BY first_group LIMIT ?"
        )
        while number <= stretch.last:
            ends = (number, stretch.last, SLICE)
            found = self._reader.ask(lambda db, ends=ends: every(db, sql, ends))  # type: ignore[misc]
            for plant, some in groupby(found, itemgetter(3)):
                part = list(some)
                told = self._told(level, plant, tag, unit, part)
                first_, last, begin = ([r[i] for r in part] for i in range(3))
                yield Slice(plant, first_, last, begin, self._ends(level, plant, begin), told)
            if len(found) < SLICE or found[-1][2] >= stretch.to_ms:
                return
            number = found[-1][0] + 1

    def _ends(self, level: int, plant: int, begins: list[int]) -> list[int]:
        if level == 0:
            return [b + MINUTE_MS for b in begins]
        if plant not in self._grids:
            self._grids[plant] = Grid(self._plant(plant))
        grid = self._grids[plant]
        if level == 1 and not grid.cuts_hours:
            return [b + HOUR_MS for b in begins]
        return [grid.end(level, b) for b in begins]

    def _told(
        self, level: int, plant: int, tag: str, unit: str, rows: Sequence[tuple[Any, ...]]
    ) -> Sequence[Told | None] | None:
        use = self._tags.use(plant, tag)
        if use is None or use.unit != unit:
            return None
        if plant not in self._layouts:
            self._layouts[plant] = FigureLayout(self._plant(plant))
        layout = self._layouts[plant]
        try:
            bodies = [plain(r[4], level) for r in rows]
            if use.derived >= 0:
                told = [layout.told_of(b, use.derived) for b in bodies]
                return [None if t is None else (t[5], *t[:5], *t[6:]) for t in told]
            seen_at, at, form = layout.channel_at(use.module, use.channel)
            end, after = at + form.size, seen_at + 4
            of_channel = form.iter_unpack(b"".join([b[at:end] for b in bodies]))
            seen = struct.unpack(f"<{len(rows)}I", b"".join([b[seen_at:after] for b in bodies]))
            return [(n, *seven) for n, seven in zip(seen, of_channel, strict=True)]
        except (struct.error, IndexError, ValueError) as e:
            raise self._reader.broken(rows[0][0], e) from e

    def _plant(self, version: int) -> Plant:
        return self._reader.plant(version)


def _begin(db: apsw.Connection, table: str, stretch: Stretch) -> int:
    """The first group of the row from which on a stretch is to be read."""
    least = first(
        db,
        f"SELECT first_group, at_ms FROM {table} WHERE first_group >= ? ORDER BY first_group LIMIT 1",
        (stretch.first,),
    )
    if least is None or least[0] > stretch.last or least[1] >= stretch.from_ms:
        return int(stretch.first)
    before = _seek(db, table, stretch, stretch.from_ms)  # the first row that begins in the stretch; one before it may
    row = first(  # still touch it, and of a minute or hour cut in two both parts
        db,
        f"SELECT at_ms FROM {table} WHERE first_group BETWEEN ? AND ? ORDER BY first_group DESC LIMIT 1",
        (stretch.first, before - 1),
    )
    return int(stretch.first) if row is None else _seek(db, table, stretch, row[0])


def _seek(db: apsw.Connection, table: str, stretch: Stretch, at_ms: int) -> int:
    """The least first group, in a segment, of a row that begins at `at_ms` or later."""
    sql = f"SELECT first_group, at_ms FROM {table} WHERE first_group BETWEEN ? AND ? ORDER BY first_group LIMIT 1"
    newest = f"SELECT first_group FROM {table} WHERE first_group BETWEEN ? AND ? ORDER BY first_group DESC LIMIT 1"
    end = first(db, newest, (stretch.first, stretch.last))
    low, high = stretch.first, end[0] + 1 if end else stretch.first
    while low < high:
        middle = (low + high) // 2
        row = first(db, sql, (middle, high - 1))
        if row is None or row[1] >= at_ms:
            high = middle
        else:
            low = row[0] + 1
    return low
