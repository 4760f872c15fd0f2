"""Which stored groups are to be put away, and into which files.

Lives here: the choice. May import: config, daemon.core, the store room. Read-only, in slices.

Put away are whole days of the plant's calendar that ended at least the hot time ago by elapsed time, which never goes
back, and never the newest `LEAST` groups: a state that must be rebuilt is rebuilt from them. A file holds one plant
version and one month: its columns then mean one thing from end to end, and a plant file that changes begins a new file
instead of empty columns in an old one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

import apsw

from daemon.core.plant_days import day_of, midnight_ms
from daemon.store.archive.files import ArchiveFile
from daemon.store.query import every, first
from daemon.store.reader import Reader

LEAST: Final = 60_000
PIECE: Final = 400_000  # groups that are written at a time
SLICE: Final = 5000


@dataclass(frozen=True, slots=True)
class Move:
    """Groups `first` to `last` of the hot store, for one file; `joins`: the month's file so far, which they follow."""

    plant: int
    month: str
    first: int
    last: int
    joins: ArchiveFile | None = None


def moves(reader: Reader, hot_ms: int, *, least: int = LEAST, piece: int = PIECE) -> Iterator[Move]:
    """What is to be put away now, in order. Each is to be recorded before the next is asked for."""
    end = _end(reader, hot_ms, least)
    files = reader.archive()
    begin = files[-1].last_group + 1 if files else 0
    last_file = files[-1] if files else None
    for move in _runs(reader, begin, end, piece):
        joins = last_file
        if joins is not None and (joins.plant != move.plant or f"-{move.month}-v" not in joins.name):
            joins = None
        yield Move(move.plant, move.month, move.first, move.last, joins)
        files = reader.archive()
        last_file = files[-1] if files else None


def _end(reader: Reader, hot_ms: int, least: int) -> int:
    """The last group to be put away, -1 when there is none."""
    last = reader.last()
    if last is None:
        return -1
    zone = ZoneInfo(reader.plant(last.plant).plant.zone)
    young = reader.ask(lambda db: _seek_elapsed(db, last.number, last.elapsed_ms - hot_ms))
    young = min(young, last.number - least + 1)
    if young <= 0:
        return -1
    row = reader.ask(
        lambda db: first(db, "SELECT at_ms FROM scan_group WHERE number >= ? ORDER BY number LIMIT 1", (young,))
    )
    if row is None:
        return -1
    begins = midnight_ms(day_of(row[0], zone), zone)
    for span in reversed(reader.spans()):
        if span.first > young:
            continue
        found = reader.seek(span.first, min(span.last, young), begins)
        if found > span.first:
            return found - 1
        young = span.first - 1  # its day began before this clock segment
        if young < 0:
            return -1
    return -1


def _seek_elapsed(db: apsw.Connection, last: int, elapsed_ms: int) -> int:
    """The least number of a group that is younger than an elapsed time."""
    low, high = 0, last
    sql = "SELECT number, elapsed_ms FROM scan_group WHERE number BETWEEN ? AND ? ORDER BY number LIMIT 1"
    while low < high:
        middle = (low + high) // 2
        row = first(db, sql, (middle, high - 1))
        if row is None or row[1] > elapsed_ms:
            high = middle
        else:
            low = row[0] + 1
    return low


def _runs(reader: Reader, begin: int, end: int, piece: int) -> Iterator[Move]:
    """Stretches of one plant version and one month of its calendar, of at most `piece` groups."""
    sql = "SELECT number, plant, at_ms FROM scan_group WHERE number BETWEEN ? AND ? ORDER BY number LIMIT ?"
    low, high, month, count = 0, 0, "", 0
    plant, at_first, at_last = -1, 0, 0
    number = begin
    while number <= end:
        found = reader.ask(lambda db, number=number: every(db, sql, (number, end, SLICE)))  # type: ignore[misc]
        for n, version, at_ms in found:
            if not (version == plant and low <= at_ms < high and count < piece):
                if count:
                    yield Move(plant, month, at_first, at_last)
                plant, at_first, count = version, n, 0
                low, high, month = _month(at_ms, ZoneInfo(reader.plant(version).plant.zone))
            at_last, count = n, count + 1
        if not found:
            break
        number = found[-1][0] + 1
    if count:
        yield Move(plant, month, at_first, at_last)


def _month(at_ms: int, zone: ZoneInfo) -> tuple[int, int, str]:
    """When the month of an instant begins and ends, ms UTC, and its name."""
    d = date.fromordinal(day_of(at_ms, zone)).replace(day=1)
    after = date(d.year + d.month // 12, d.month % 12 + 1, 1)
    return midnight_ms(d.toordinal(), zone), midnight_ms(after.toordinal(), zone), f"{d:%Y-%m}"
