"""Groups leave the hot store: what is recorded of the file that holds them, and their removal, a slice at a time.

Lives here: those transactions of the writing connection. May import: apsw, this room. Synchronous.

A group is removed only here, only when a recorded file holds its number, and only after whoever calls has read that
file. The pages that become free are used again by the groups to come: the file keeps its size and nothing is written
to make it smaller.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import apsw

from daemon.store.archive import files
from daemon.store.archive.files import ArchiveFile
from daemon.store.errors import StoreRefused
from daemon.store.query import every, first

GROUPS: Final = 1000  # a slice: some milliseconds


def record(db: apsw.Connection, file: ArchiveFile) -> tuple[Any, ...]:
    """Record a file; the record to be chained. StoreRefused when it does not hold exactly what it should."""
    replaced = [f for f in files.held(db) if f.last_group >= file.first_group]
    if any(f.first_group < file.first_group or f.last_group > file.last_group for f in replaced):
        raise StoreRefused(f"{file.name} holds only part of what {replaced[0].name} holds.")
    begin = max([file.first_group, *(f.last_group + 1 for f in replaced)])
    sql = "SELECT count(*) FROM scan_group WHERE number BETWEEN ? AND ? AND plant = ?"
    hot = every(db, sql, (begin, file.last_group, file.plant))[0][0]
    count = hot + sum(f.groups for f in replaced)
    if count != file.groups:
        raise StoreRefused(f"{file.name} holds {file.groups} groups; {count} of that stretch are stored.")
    end = files.ends(db)
    after = -1 if end is None else end[1]
    left = first(db, "SELECT number FROM scan_group WHERE number > ? AND number < ? LIMIT 1", (after, file.first_group))
    if left is not None:
        raise StoreRefused(f"Group {left[0]} lies in front of {file.name} and in no file.")
    values = files.row(file)
    marks = ", ".join("?" * len(values))
    db.execute(f"INSERT INTO archive_file ({files.COLUMNS}) VALUES ({marks})", values)
    number = db.last_insert_rowid()
    for f in replaced:
        db.execute("UPDATE archive_file SET replaced_by = ? WHERE name = ?", (number, f.name))
    return (number, *values)


def waits(db: apsw.Connection) -> tuple[int, int] | None:
    """The first and the last group that lies in the hot store and in a recorded file too, None when there is none."""
    end = files.ends(db)
    if end is None:
        return None
    low = first(db, "SELECT number FROM scan_group WHERE number <= ? ORDER BY number LIMIT 1", (end[1],))
    high = first(db, "SELECT number FROM scan_group WHERE number <= ? ORDER BY number DESC LIMIT 1", (end[1],))
    return None if low is None or high is None else (low[0], high[0])


def drop(db: apsw.Connection, first_group: int, last_group: int) -> bool:
    """Remove at most `GROUPS` groups of a stretch that recorded files hold, and their minutes; False: none are left.

    Nothing is removed while minutes, hours and days still have to be worked out from them.
    """
    if first(db, "SELECT 1 FROM rollup_mend LIMIT 1") is not None:
        return False
    sql = f"SELECT min(first_group), max(last_group) FROM archive_file WHERE {files.HOLDS} AND last_group >= ?"
    here = first(db, sql, (first_group,))
    if here is None or here[0] is None:
        return False
    low, high = max(first_group, here[0]), min(last_group, here[1])
    slice_ = "SELECT max(number), count(*) FROM (SELECT number FROM scan_group WHERE number BETWEEN ? AND ? "
    reached, count = every(db, slice_ + "ORDER BY number LIMIT ?)", (low, high, GROUPS))[0]
    if not count:
        return False
    db.execute("DELETE FROM scan_group WHERE number BETWEEN ? AND ?", (low, reached))
    return True


def give_up(db: apsw.Connection, names: Sequence[str], at_ms: int) -> None:
    """Record that files are removed because the time to keep them is over."""
    for name in names:
        db.execute(f"UPDATE archive_file SET removed_ms = ? WHERE name = ? AND {files.HOLDS}", (at_ms, name))
        if db.changes() != 1:
            raise StoreRefused(f"{name} is no file of the archive that holds.")
        text = f"{name}: the time to keep readings ([store] keep) is over"
        db.execute("INSERT INTO store_event (at_ms, kind, text) VALUES (?, 'archive file removed', ?)", (at_ms, text))
