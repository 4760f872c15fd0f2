"""Figures worked out again from what they rest on, a slice at a time: after an upgrade, a salvage, or damage.

Lives here: the ranges of groups that wait (`rollup_mend`), and one slice of the work. May import: apsw, this room.
Synchronous; each slice is one transaction of the writing connection, which notes how far it came. Minutes are reckoned
from stored groups, then hours from minutes, then days from hours. What rests on groups that lie no longer in this file
stays as it is.
"""

from __future__ import annotations

from typing import Final

import apsw

from daemon.store.figures import Body
from daemon.store.query import every, first
from daemon.store.rolling import INSERT, TABLES, Key, Known, Roller, rows_of

GROUPS: Final = 1000  # a slice: some tens of milliseconds
PARTS: Final = 500


def ask(db: apsw.Connection, first_group: int, last_group: int) -> None:
    """Note that the figures of a range of groups are to be worked out again."""
    db.execute("INSERT INTO rollup_mend (level, first_group, last_group) VALUES (0, ?, ?)", (first_group, last_group))


def ask_for_all(db: apsw.Connection) -> None:
    """Note it for every group there is."""
    db.execute(
        "INSERT INTO rollup_mend (level, first_group, last_group) "
        "SELECT 0, min(number), max(number) FROM scan_group HAVING count(*) > 0"
    )


def waiting(db: apsw.Connection) -> list[tuple[int, int]]:
    """Ranges of groups whose figures are not all worked out yet."""
    return [(a, b) for a, b in every(db, "SELECT first_group, last_group FROM rollup_mend ORDER BY id")]


def thin(db: apsw.Connection, keep: int) -> bool:
    """Let go of at most `PARTS` minutes, the oldest first, behind the newest `keep`; True when there were so many.

    By their number and not by their dates: a clock that is years ahead must not take them away. Whole hours go, once
    they are stored, and the last before the newest `keep` stays.
    """
    newest = "SELECT first_group FROM rollup_minute ORDER BY first_group DESC LIMIT 1 OFFSET ?"
    row = first(db, newest, (keep,))
    if row is None:
        return False
    hours = "SELECT last_group FROM rollup_hour WHERE first_group <= ? ORDER BY first_group DESC LIMIT 1 OFFSET 1"
    whole = first(db, hours, row)  # whole hours go
    if whole is None:
        return False
    old = "SELECT first_group FROM rollup_minute WHERE last_group <= ? ORDER BY first_group LIMIT ?"
    db.execute(f"DELETE FROM rollup_minute WHERE first_group IN ({old})", (whole[0], PARTS))
    return db.changes() == PARTS


def mend(db: apsw.Connection, known: Known, roller: Roller) -> bool:
    """Do one slice; False when nothing waits. For a transaction of the caller's, who reloads the roller if it fails."""
    sql = "SELECT id, level, coalesce(reached, first_group), last_group FROM rollup_mend ORDER BY id LIMIT 1"
    row = first(db, sql)
    if row is None:
        return False
    mark, level, low, high = row
    reached = _minutes(db, known, roller, low, high) if level == 0 else _longer(db, known, roller, level, low, high)
    if reached is not None:
        db.execute("UPDATE rollup_mend SET reached = ? WHERE id = ?", (reached, mark))
    elif level == 2:
        db.execute("DELETE FROM rollup_mend WHERE id = ?", (mark,))
    else:
        db.execute("UPDATE rollup_mend SET level = level + 1, reached = NULL WHERE id = ?", (mark,))
    if reached is None:
        roller.load(db)  # the open hour and the open day have parts that were missing
    return True


def _minutes(db: apsw.Connection, known: Known, roller: Roller, low: int, high: int) -> int | None:
    """Minutes of groups from `low` on; where to go on, None at the end."""
    low = _begun(db, 0, low)
    if (open_ := roller.first_open(0)) is not None:
        high = min(high, open_ - 1)
    sql = (
        "SELECT number, segment, plant, at_ms, body, derived FROM scan_group WHERE number BETWEEN ? AND ? "
        "ORDER BY number LIMIT ?"
    )
    found = every(db, sql, (low, high, GROUPS))
    made = rows_of(known, found)
    whole = len(found) < GROUPS
    if not whole and len(made) > 1:
        made.pop()  # its minute may go on behind the slice
    if whole and made:  # a row that begins in the range and goes on behind it is of groups that came since
        row = first(db, "SELECT first_group, last_group FROM rollup_minute WHERE first_group = ?", (made[-1][0],))
        if row is not None and row[1] > made[-1][1]:
            made.pop()
    for minute in made:
        db.execute("DELETE FROM rollup_minute WHERE first_group BETWEEN ? AND ?", minute[:2])
        db.execute(INSERT[0], minute)
    return None if whole or not made else made[-1][1] + 1


def _longer(db: apsw.Connection, known: Known, roller: Roller, level: int, low: int, high: int) -> int | None:
    """Hours from minutes (`level` 1) or days from hours (2), those that touch groups `low` to `high`."""
    lower = TABLES[level - 1]
    open_ = roller.first_open(level)
    low = _begun(db, level, low)
    before = first(
        db, f"SELECT first_group FROM {lower} WHERE first_group <= ? ORDER BY first_group DESC LIMIT 1", (low,)
    )
    at = before[0] if before is not None else low
    sql = (
        f"SELECT first_group, last_group, segment, plant, at_ms, body FROM {lower} WHERE first_group >= ? "
        "ORDER BY first_group LIMIT ?"
    )
    found = every(db, sql, (at, PARTS))
    runs: list[tuple[Key, list[tuple[int, int, bytes]]]] = []
    for begin, end, segment, plant, at_ms, body in found:
        if open_ is not None and begin >= open_:
            break
        key = (segment, plant, known.grid(plant).begins(at_ms)[level])
        if not runs or runs[-1][0] != key:
            if begin > high:
                break
            runs.append((key, []))
        runs[-1][1].append((begin, end, body))
    else:
        if len(found) == PARTS and len(runs) > 1:
            runs.pop()
    for key, parts in runs:
        figures = known.figures(key[1])
        bodies: list[Body] = [figures.unpack(p[2], level - 1) for p in parts]
        span = (parts[0][0], parts[-1][1])
        if _begun(db, level, span[0]) < span[0]:  # its first parts are let go of: what is stored was made of all
            continue
        db.execute(f"DELETE FROM {TABLES[level]} WHERE first_group BETWEEN ? AND ?", span)
        db.execute(INSERT[level], (*span, *key, figures.pack(figures.join(bodies))))
    if not runs or len(found) < PARTS:
        return None
    reached = runs[-1][1][-1][1] + 1
    return reached if reached <= high else None


def _begun(db: apsw.Connection, level: int, number: int) -> int:
    """Where the minute, hour or day that holds a group begins, the group itself where none does."""
    sql = (
        f"SELECT first_group, last_group FROM {TABLES[level]} WHERE first_group <= ? ORDER BY first_group DESC LIMIT 1"
    )
    row = first(db, sql, (number,))
    return int(row[0]) if row is not None and row[1] >= number else number
