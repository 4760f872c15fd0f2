"""Rows of roll-ups as the query room wants them: one tag, in order, with the groups each row stands for.

May import: config, daemon.core, this room. Read-only, in slices. Dates as written.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import apsw

from config.model import Plant
from daemon.store.figures import FigureLayout, plain
from daemon.store.packing import PackingError
from daemon.store.query import every, first
from daemon.store.reader import Reader
from daemon.store.rolling import HOUR_MS, MINUTE_MS, TABLES, Grid
from daemon.store.source import Stretch
from daemon.store.tagged import Tags, Use

SLICE: Final = 2000

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
        while number <= stretch.last:
            plant, wanted, found = self._reader.ask(
                lambda db, at=number: self._fetch(db, level, tag, unit, at, stretch.last)  # type: ignore[misc]
            )
            if not found:
                return
            part = [r for r in found if r[3] == plant]  # versions never go back: those of another are behind
            told = None if wanted is None else self._told(wanted, plant, level, part)
            first_, last, begin = ([r[i] for r in part] for i in range(3))
            yield Slice(plant, first_, last, begin, self._ends(level, plant, begin), told)
            if part[-1][2] >= stretch.to_ms or (len(found) < SLICE and len(part) == len(found)):
                return
            number = part[-1][0] + 1

    def _fetch(
        self, db: apsw.Connection, level: int, tag: str, unit: str, number: int, last: int
    ) -> tuple[int, Use | None, list[tuple[Any, ...]]]:
        """Rows from a number on, with as much of their bodies as is needed by the plant version of the first."""
        sql = f"SELECT plant FROM {TABLES[level]} WHERE first_group BETWEEN ? AND ? ORDER BY first_group LIMIT 1"
        row = first(db, sql, (number, last))
        if row is None:
            return 0, None, []
        use = self._tags.use(row[0], tag)
        wanted = use if use is not None and use.unit == unit else None
        if wanted is None:
            body = "NULL"
        elif level == 0 or wanted.derived >= 0:
            body = "body"
        else:
            seen_at, at, form = self._layout(row[0]).channel_at(wanted.module, wanted.channel)
            body = f"substr(body, {seen_at + 1}, 4), substr(body, {at + 1}, {form.size})"
        sql = (
            f"SELECT first_group, last_group, at_ms, plant, {body} FROM {TABLES[level]} "
            "WHERE first_group BETWEEN ? AND ? ORDER BY first_group LIMIT ?"
        )
        return row[0], wanted, every(db, sql, (number, last, SLICE))

    def _ends(self, level: int, plant: int, begins: list[int]) -> list[int]:
        if level == 0:
            return [b + MINUTE_MS for b in begins]
        if plant not in self._grids:
            self._grids[plant] = Grid(self._plant(plant))
        grid = self._grids[plant]
        if level == 1 and not grid.cuts_hours:
            return [b + HOUR_MS for b in begins]
        return [grid.end(level, b) for b in begins]

    def _told(self, use: Use, plant: int, level: int, rows: Sequence[tuple[Any, ...]]) -> Sequence[Told | None]:
        layout = self._layout(plant)
        try:
            if use.derived >= 0:
                told = [layout.told_of(plain(r[4], level), use.derived) for r in rows]
                return [None if t is None else (t[5], *t[:5], *t[6:]) for t in told]
            seen_at, at, form = layout.channel_at(use.module, use.channel)
            if level:
                parts = b"".join([part for r in rows for part in r[4:]])
            else:
                bodies = [plain(r[4], 0) for r in rows]
                parts = b"".join([b[seen_at : seen_at + 4] + b[at : at + form.size] for b in bodies])
            return list(struct.iter_unpack("<I" + form.format[1:], parts))
        except (struct.error, IndexError, PackingError) as e:
            raise self._reader.broken(rows[0][0], e) from e

    def _layout(self, version: int) -> FigureLayout:
        if version not in self._layouts:
            self._layouts[version] = FigureLayout(self._plant(version))
        return self._layouts[version]

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
