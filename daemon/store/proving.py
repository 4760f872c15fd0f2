"""Are the stored minutes, hours and days those of the stored groups? For `doctor`; reads in slices, changes nothing.

May import: config, this room.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import groupby
from typing import Final

import apsw

from daemon.store import mending
from daemon.store.figures import Body, plain
from daemon.store.packing import PackingError
from daemon.store.query import every, first
from daemon.store.reader import Reader
from daemon.store.rolling import TABLES, Known, Row, rows_of

NEWEST: Final = 60_000  # groups looked through: a week of a plant polled every 10 s
EVERY: Final = 1 << 60
SLICE: Final = 500
COLUMNS: Final = "first_group, last_group, segment, plant, at_ms, body"


@dataclass(slots=True)
class Proof:
    """What was found. Ranges are numbers of groups, first and last."""

    rows: int = 0  # minutes, hours and days looked at
    waiting: list[tuple[int, int]] = field(default_factory=list)  # not worked out yet, and noted as such
    missing: list[tuple[int, int]] = field(default_factory=list)
    wrong: list[tuple[int, int]] = field(default_factory=list)

    @property
    def bad(self) -> list[tuple[int, int]]:
        """What is to be worked out again."""
        return sorted((*self.missing, *self.wrong))


def prove(reader: Reader, newest: int = NEWEST) -> Proof:
    """Hold minutes against groups, hours against minutes and days against hours, those of the newest groups."""
    proof = Proof(waiting=reader.ask(mending.waiting))
    last = reader.last()
    oldest = reader.first_number()
    if last is None or oldest is None:
        return proof
    known = Known(reader.plant, reader.layout)
    _minutes(reader, known, proof, max(oldest, last.number - newest))
    for level in (1, 2):
        _longer(reader, known, proof, level, max(oldest, last.number - newest))
    return proof


def _minutes(reader: Reader, known: Known, proof: Proof, begin: int) -> None:
    begin = reader.ask(lambda db: _where_minutes_begin(db, begin))
    while found := reader.ask(lambda db, at=begin: _slice(db, 0, at)):  # type: ignore[misc]
        stored = {row[0]: row for row in found}
        for row in rows_of(known, reader.ask(lambda db, a=begin, b=found[-1][1]: _groups(db, a, b))):  # type: ignore[misc]
            proof.rows += 1
            there = stored.get(row[0])
            if there is None:
                proof.missing.append(row[:2])
            elif there[1:5] != row[1:5] or not _equal(there, row):
                proof.wrong.append(row[:2])
        begin = found[-1][1] + 1
    left = rows_of(known, reader.ask(lambda db: _groups(db, begin, EVERY)))
    proof.missing += [row[:2] for row in left[:-1]]  # the last is still open


def _longer(reader: Reader, known: Known, proof: Proof, level: int, begin: int) -> None:
    """An hour that is stored is that of its minutes, a day that of its hours."""
    at = begin
    while found := reader.ask(lambda db, at=at: _slice(db, level, at)):  # type: ignore[misc]
        for row in found:
            parts = reader.ask(lambda db, r=row: _within(db, level - 1, r))  # type: ignore[misc]
            if not parts or parts[0][0] != row[0] or parts[-1][1] != row[1]:
                continue  # its minutes are thinned out
            proof.rows += 1
            figures = known.figures(row[3])
            try:
                bodies: list[Body] = [figures.unpack(p[5], level - 1) for p in parts]
                made = figures.pack(figures.join(bodies))
            except PackingError:
                continue  # told of the part
            if made != row[5]:
                proof.wrong.append(row[:2])
        at = found[-1][0] + 1
    _unled(reader, known, proof, level, begin)


def _unled(reader: Reader, known: Known, proof: Proof, level: int, begin: int) -> None:
    """Minutes without their hour, hours without their day, unless it is still open."""
    last = reader.last()
    assert last is not None
    open_ = last.segment, last.plant, known.grid(last.plant).begins(last.at_ms)[level]
    runs = groupby(_heads(reader, level - 1, begin), lambda r: (r[2], r[3], known.grid(r[3]).begins(r[4])[level]))
    ends = [(run[0][0], run[-1][1]) for run in (list(some) for key, some in runs if key != open_)]
    over = iter(_heads(reader, level, reader.ask(lambda db: _row_of(db, level, begin))))
    row = next(over, None)
    for a, b in ends:
        while row is not None and row[1] < b:
            row = next(over, None)
        if row is None or row[0] > a:
            proof.missing.append((a, b))


def _heads(reader: Reader, level: int, begin: int) -> Iterator[tuple[int, int, int, int, int]]:
    sql = (
        f"SELECT first_group, last_group, segment, plant, at_ms FROM {TABLES[level]} WHERE first_group >= ? "
        "ORDER BY first_group LIMIT ?"
    )
    while found := reader.ask(lambda db, at=begin: every(db, sql, (at, SLICE))):  # type: ignore[misc]
        yield from found
        begin = found[-1][0] + 1


def _equal(stored: Row, made: Row) -> bool:
    """Are two minutes the same? Compressed bytes may differ where the library does."""
    try:
        return plain(stored[5], 0) == plain(made[5], 0)
    except PackingError:
        return False


def _slice(db: apsw.Connection, level: int, begin: int) -> list[Row]:
    sql = f"SELECT {COLUMNS} FROM {TABLES[level]} WHERE first_group >= ? ORDER BY first_group LIMIT ?"
    return every(db, sql, (begin, SLICE))


def _within(db: apsw.Connection, level: int, row: Row) -> list[Row]:
    sql = f"SELECT {COLUMNS} FROM {TABLES[level]} WHERE first_group BETWEEN ? AND ? ORDER BY first_group"
    return every(db, sql, row[:2])


def _groups(db: apsw.Connection, begin: int, end: int) -> list[tuple[int, int, int, int, bytes, bytes]]:
    columns = "number, segment, plant, at_ms, body, derived"
    return every(db, f"SELECT {columns} FROM scan_group WHERE number BETWEEN ? AND ? ORDER BY number", (begin, end))


def _row_of(db: apsw.Connection, level: int, number: int) -> int:
    """The first group of the row that holds a group, the group itself where none does."""
    sql = (
        f"SELECT first_group, last_group FROM {TABLES[level]} WHERE first_group <= ? ORDER BY first_group DESC LIMIT 1"
    )
    row = first(db, sql, (number,))
    return int(row[0]) if row is not None and row[1] >= number else number


def _where_minutes_begin(db: apsw.Connection, number: int) -> int:
    """From which group on there must be minutes: older ones are let go of, where their hour is there."""
    sql = "SELECT first_group, last_group FROM rollup_minute ORDER BY first_group LIMIT 1"
    oldest = first(db, sql)
    if oldest is not None and oldest[0] > number and _row_of(db, 1, oldest[0] - 1) != oldest[0] - 1:
        return int(oldest[0])
    begin = _row_of(db, 0, number)
    hot = first(db, "SELECT min(number) FROM scan_group")
    if hot is None or hot[0] is None or begin >= hot[0]:
        return begin
    # a minute whose polls are put away, in whole or in part, has nothing here to be held against
    across = first(db, "SELECT max(last_group) FROM rollup_minute WHERE first_group < ?", hot)
    return max(int(hot[0]), int(across[0]) + 1) if across is not None and across[0] is not None else int(hot[0])
