"""Records chained by hash, so that a later edit shows.

Lives here: the canonical bytes of a record, the chain's head, its verification. May import: apsw, query.py.
Each link holds SHA-256 of the hash before it followed by the record as compact JSON
`[source, row, column, ...]`. The head, sent out daily, fixes everything before it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from typing import Final

import apsw

from daemon.store.query import every, first

Value = str | int | float | None

SOURCES: Final = {
    "plant_version": "SELECT version, from_ms, sha256, text FROM plant_version WHERE version = ?",
    "journal": "SELECT id, group_number, at_ms, occurrence, target, kind, name, event, state, priority, value, "
    "limit_value, unit, evidence, person || CASE quality WHEN '' THEN '' ELSE char(31) || quality END "
    "FROM journal WHERE id = ?",
    "act": "SELECT number, kind, person, received_ms, body FROM act WHERE number = ?",
    "act applied": "SELECT number, group_number, result FROM act WHERE number = ?",
    "calibration": "SELECT id, tag, from_ms, kind, body, act FROM calibration WHERE id = ?",
    "manual_reading": "SELECT id, target, what, taken_ms, value, unit, note, act FROM manual_reading WHERE id = ?",
    "clock_correction": "SELECT id, segment, shift_ms, made_ms, why, person FROM clock_correction WHERE id = ?",
    "archive_file": "SELECT id, name, plant, first_group, last_group, groups, from_ms, to_ms, watched_ms, bytes, "
    "sha256, made_ms FROM archive_file WHERE id = ?",
}
"""What is chained: for each source the record's columns, its number first."""

_JOURNAL_BEFORE: Final = SOURCES["journal"].replace(
    "person || CASE quality WHEN '' THEN '' ELSE char(31) || quality END", "person"
)
"""As it was chained before the quality of the reading was kept: a line without one has the same hash."""

_COUNTS: Final = {
    "plant_version": "SELECT count(*) FROM plant_version",
    "journal": "SELECT count(*) FROM journal",
    "act": "SELECT count(*) FROM act",
    "act applied": "SELECT count(*) FROM act WHERE group_number IS NOT NULL",
    "calibration": "SELECT count(*) FROM calibration",
    "manual_reading": "SELECT count(*) FROM manual_reading",
    "clock_correction": "SELECT count(*) FROM clock_correction",
    "archive_file": "SELECT count(*) FROM archive_file",
}

START: Final = bytes(32)


def link(before: bytes, source: str, record: tuple[Value, ...]) -> bytes:
    """The hash of a record that follows `before`. `record`: its columns in the order of `SOURCES`."""
    text = json.dumps([source, *record], ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(before + text.encode("ascii")).digest()


def say_head(count: int, head: str) -> str:
    """The head of the chain as it goes into a mail or onto paper, for `waterside doctor --against`.

    `count`: records chained; `head`: the last one's hash in hex, as `Writer.head` and `Reader.head` give them.
    """
    return f"{count}:{head}"


def read_head(said: str) -> tuple[int, str]:
    """The inverse of `say_head`. ValueError for anything else."""
    count, _, head = said.strip().partition(":")
    if not count.isdecimal() or len(head) != 64 or not set(head) <= set("0123456789abcdef"):
        raise ValueError(f"wants COUNT:HASH as `waterside status` shows it, the hash of 64 hex digits; found {said!r}")
    return int(count), head


def hash_at(db: apsw.Connection, seq: int) -> str | None:
    """The hash of the chain's record `seq` in hex; None when there is none."""
    if seq == 0:
        return START.hex()
    row = first(db, "SELECT hash FROM chain WHERE seq = ?", (seq,))
    return row[0].hex() if row else None


class Chain:
    """The writing end. `load` inside a transaction before the first `add`; after a rollback `load` again."""

    __slots__ = ("head", "seq")

    def __init__(self) -> None:
        self.seq, self.head = 0, START

    def load(self, db: apsw.Connection) -> None:
        """Take up the chain where the file has it."""
        row = first(db, "SELECT seq, hash FROM chain ORDER BY seq DESC LIMIT 1")
        self.seq, self.head = row or (0, START)

    def add(self, db: apsw.Connection, source: str, record: tuple[Value, ...]) -> None:
        """Chain a record written in the same transaction."""
        self.seq, self.head = self.seq + 1, link(self.head, source, record)
        db.execute("INSERT INTO chain VALUES (?, ?, ?, ?)", (self.seq, source, record[0], self.head))


def verify(db: apsw.Connection, slice_rows: int = 500) -> Iterator[str]:
    """Yield one sentence for each break: a record edited, gone, or never chained. Reads in slices."""
    counts = dict.fromkeys(SOURCES, 0)
    sources = dict(SOURCES)
    if "quality" not in {r[1] for r in every(db, "PRAGMA table_info(journal)")}:  # an earlier schema
        sources["journal"] = _JOURNAL_BEFORE
    before, seq = START, 0
    links = "SELECT seq, source, row, hash FROM chain WHERE seq > ? ORDER BY seq LIMIT ?"
    while rows := every(db, links, (seq, slice_rows)):
        for number, source, row, stored in rows:
            if number != seq + 1:
                yield f"records {seq + 1} to {number - 1} of the chain are gone"
            seq = number
            if source not in SOURCES:
                yield f"record {number} of the chain names {source!r}, which is not known"
                before = stored
                continue
            counts[source] += 1
            record = first(db, sources[source], (row,))
            if record is None:
                yield f"{source} {row} is gone"
            elif link(before, source, record) != stored:
                yield f"{source} {row} was changed after it was written, or the chain before it was"
            before = stored
    there = {r[0] for r in every(db, "SELECT name FROM sqlite_schema WHERE type = 'table'")}
    for source, sql in _COUNTS.items():
        if sql.split("FROM ")[1].split()[0] not in there:  # an earlier schema
            continue
        found = every(db, sql)[0][0]
        if found != counts[source]:
            yield f"{source}: {found} records, {counts[source]} of them chained"
