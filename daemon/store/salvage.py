"""What can still be read of a damaged store, row by row from its pages, into a new one.

Lives here: the way around SQLite's own reading, which stops at the first damaged page of a table. May import: apsw,
this room. The pages are read as the published file format says (sqlite.org/fileformat2.html): every leaf of a table
holds whole rows. Leaves reached from a table's root are that table's; leaves whose way from the root is lost are told
by the number and the types of their columns. Pages of the free list are left out: what was removed stays removed. The
damaged file is never written to.
"""

from __future__ import annotations

import os
import shutil
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import apsw

from daemon.store import mending, rows, schema
from daemon.store.archive import files
from daemon.store.archive.copying import copy_archive
from daemon.store.archive.files import archive_folder
from daemon.store.backup import findings
from daemon.store.btree import Pages, Row
from daemon.store.errors import StoreBusy, StoreError, StoreRefused, StoreUnknown, translated
from daemon.store.lock import locked
from daemon.store.packing import PackingError, unpack_derived
from daemon.store.query import every
from daemon.store.reader import Reader
from daemon.store.rolling import TABLES
from daemon.store.walfile import lay_over

Column = tuple[str, str, bool, int]  # name, type, may be NULL, place in the key (0: none)

_UNCHAINED = ("scan_group", *TABLES)


@dataclass(slots=True)
class Salvaged:
    """What was found and what was not. `missing`: stretches of group numbers that are not there."""

    path: Path
    rows: dict[str, int] = field(default_factory=dict)
    missing: list[tuple[int, int]] = field(default_factory=list)
    unread_pages: int = 0
    log_read: bool = True
    notes: list[str] = field(default_factory=list)
    findings: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """One sentence for the new store's own record."""
        lost = sum(b - a + 1 for a, b in self.missing)
        return (
            f"salvaged {self.rows.get('scan_group', 0)} polls and {self.rows.get('chain', 0)} chained records; "
            f"{lost} polls between the first and the last are lost, {self.unread_pages} pages could not be read"
        )


def salvage(source: Path, to: Path, at_ms: int) -> Salvaged:
    """Read what can be read of `source` (and its log) into a new store at `to`, of the present schema.

    Raises StoreBusy while a service has `source` open, StoreRefused when `to` exists, StoreUnknown when nothing of a
    store is found; OSError.
    """
    if not source.is_file():
        raise StoreUnknown(f"There is no file at {source}.")
    if locked(source):
        raise StoreBusy(f"{source} is in use by a service. Stop it first.")
    if to.exists():
        raise StoreRefused(f"{to} is there already. Give a path where nothing is.")
    to.parent.mkdir(parents=True, exist_ok=True)
    done = Salvaged(to)
    with TemporaryDirectory(prefix=".salvage-", dir=to.parent) as folder:
        copy = Path(folder) / "copy.db"
        done.log_read = _with_log(source, copy)
        made = Path(folder) / "made.db"
        _fill(copy, made, done, at_ms)
        if not done.rows:
            raise StoreUnknown(f"Nothing of a store was found in {source}. Use a backup.")
        made.rename(to)
    _with_archive(source, to, done)
    return done


def _with_archive(source: Path, to: Path, done: Salvaged) -> None:
    """The archive's files beside the new store too: other names of the same files where the disk allows it."""
    with Reader(to) as reader:
        held = reader.archive()
    if archive_folder(source) != archive_folder(to):
        done.notes += copy_archive(archive_folder(source), archive_folder(to), held, link=True)


def _with_log(source: Path, copy: Path) -> bool:
    """A copy with the write-ahead log folded in; False when there is a log that could not be."""
    shutil.copyfile(source, copy)
    log = source.with_name(source.name + "-wal")
    if not log.exists() or not log.stat().st_size:
        return True
    shutil.copyfile(log, copy.with_name(copy.name + "-wal"))
    folded = False
    with suppress(apsw.Error):
        db = apsw.Connection(str(copy))
        try:
            db.pragma("synchronous", 0)
            db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
            folded = True
        finally:
            db.close(True)
    if not folded:
        shutil.copyfile(source, copy)
        return lay_over(copy, log.read_bytes())
    return True


def _fill(copy: Path, made: Path, done: Salvaged, at_ms: int) -> None:
    with Pages(copy) as pages:
        version = pages.user_version if 1 <= pages.user_version <= len(schema.STEPS) else len(schema.STEPS)
        db = apsw.Connection(str(made))
        try:
            db.pragma("journal_mode", "off")
            db.pragma("synchronous", 0)
            schema.migrate(db, str(made), schema.STEPS[:version])
            columns = _columns(db)
            db.execute("BEGIN")
            for table, found in _rows(pages, columns, _least()):
                if _insert(db, table, columns[table], found):
                    done.rows[table] = done.rows.get(table, 0) + 1
            done.unread_pages = len(pages.unread)
            _readable(db, done)
            _segments(db, done)
            _missing(db, done)
            if version >= 3:
                _figures(db)
            db.execute("COMMIT")
            schema.migrate(db, str(made))
            done.findings = findings(db)
            event = "INSERT INTO store_event (at_ms, kind, text) VALUES (?, 'salvaged', ?)"
            db.execute(event, (at_ms, done.text))
            db.pragma("journal_mode", "delete")
            db.pragma("synchronous", 2)
            db.execute("UPDATE store_event SET text = text WHERE kind = 'salvaged'")  # one flush over all of it
        except apsw.Error as e:
            raise translated(e, str(made)) from e
        finally:
            db.close(True)
    with made.open("rb") as f:
        os.fsync(f.fileno())


def _columns(db: apsw.Connection) -> dict[str, list[Column]]:
    """For each table its columns: name, type, may be NULL, place in the key."""
    names = [r[0] for r in every(db, "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
    return {
        name: [(c[1], c[2], not c[3] and not c[5], c[5]) for c in every(db, f"PRAGMA table_info({name})")]
        for name in names
    }


def _least() -> dict[str, int]:
    """Columns each table had when it was first made: rows of that time have no more."""
    db = apsw.Connection(":memory:")
    try:
        out: dict[str, int] = {}
        for version in range(1, len(schema.STEPS) + 1):
            schema.migrate(db, "memory", schema.STEPS[:version])
            out = {name: len(found) for name, found in _columns(db).items()} | out
        return out
    finally:
        db.close(True)


def _rows(pages: Pages, columns: Mapping[str, Sequence[Column]], least: Mapping[str, int]) -> Iterator[tuple[str, Row]]:
    """Rows of every table: first by the way from its root, then those of leaves nobody leads to."""
    seen: set[int] = set()
    for name, root in pages.tables().items():
        if name in columns:
            for page in pages.leaves(root):
                seen.add(page)
                found, whole = _page(pages, page)
                for row in found if whole or name not in _UNCHAINED else ():
                    if fits(row, name, columns[name], least[name]):
                        yield name, row
    for page in pages.other_leaves(seen):
        found, whole = _page(pages, page)
        guess = Counter(
            name for row in found for name in columns if fits(row, name, columns[name], least[name])
        ).most_common(1)
        if guess and guess[0][0] in TABLES:  # alike in shape: which of them it was cannot be told
            continue
        for row in found if whole or (guess and guess[0][0] != "scan_group") else ():
            if guess and fits(row, guess[0][0], columns[guess[0][0]], least[guess[0][0]]):
                yield guess[0][0], row


def _page(pages: Pages, page: int) -> tuple[list[Row], bool]:
    """The rows of a page, and whether all of it is as it was written, as far as that shows.

    On a page that is damaged in part a count may be another's and look right. Records have their chain to tell; polls
    have nothing, so those of such a page are left out.
    """
    found = list(pages.rows(page))
    numbers = [number for number, _ in found if number is not None]
    whole = page not in pages.unread and all(a < b for a, b in pairwise(numbers))
    if not whole:
        pages.unread.add(page)
    return found, whole


def fits(row: Row, table: str, columns: Sequence[Column], least: int) -> bool:
    """Can the row be one of a table with these columns, the first `least` of which were always there?"""
    number, values = row
    if number is None:  # of an index: the key's columns, and for our one such table all of them
        if not any(place > 1 for _, _, _, place in columns) or len(values) != len(columns):
            return False
        ordered = values
    else:
        if any(place > 1 for _, _, _, place in columns) or len(values) > len(columns):
            return False
        key = next((k for k, c in enumerate(columns) if c[3] == 1), None)
        if key is None or len(values) < least or values[key] is not None:
            return False
        ordered = (*values[:key], number, *values[key + 1 :])
    if table in ("plant_version", "store_event") and len(ordered) > 3:  # alike but for this
        sha = ordered[2]
        if (isinstance(sha, str) and len(sha) == 64) is not (table == "plant_version"):
            return False
    return all(_is(v, c[1], c[2]) for v, c in zip(ordered, columns, strict=False))


def _is(value: Any, kind: str, may_be_null: bool) -> bool:
    if value is None:
        return may_be_null
    wanted = {"INTEGER": (int,), "REAL": (int, float), "TEXT": (str,), "BLOB": (bytes,)}
    return isinstance(value, wanted[kind])


def _insert(db: apsw.Connection, table: str, columns: Sequence[Column], row: Row) -> bool:
    number, values = row
    if number is not None:
        key = next(k for k, c in enumerate(columns) if c[3] == 1)
        values = (*values[:key], number, *values[key + 1 :])
    names = ", ".join(c[0] for c in columns[: len(values)])
    marks = ", ".join("?" * len(values))
    try:
        db.execute(f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})", values)
    except apsw.ConstraintError:
        return False  # a row no store of ours could hold: what is left of a damaged page
    return db.changes() == 1


def _readable(db: apsw.Connection, done: Salvaged) -> None:
    """Take out the polls nobody could read back, since one such stops every reader, and states of after the last."""
    plants = rows.Plants(lambda version: rows.text_of(db, version), str(done.path))
    why: Counter[str] = Counter()
    slice_sql = "SELECT number, plant, body, derived FROM scan_group WHERE number > ? ORDER BY number LIMIT 500"
    after = -(1 << 62)
    while found := every(db, slice_sql, (after,)):
        for number, plant, body, derived in found:
            after = number
            try:
                plants.layout(plant).unpack(body)
                unpack_derived(derived)
                continue
            except PackingError:
                why["what they hold does not fit their plant file"] += 1
            except StoreError:
                why[f"plant file version {plant}, by which they are read, is lost"] += 1
            db.execute("DELETE FROM scan_group WHERE number = ?", (number,))
            done.rows["scan_group"] -= 1
    done.notes += [f"{count} polls are left out: {reason}" for reason, count in why.items()]
    db.execute("DELETE FROM snapshot WHERE group_number > (SELECT coalesce(max(number), -1) FROM scan_group)")


def _figures(db: apsw.Connection) -> None:
    """Figures of the polls that are here are worked out again when a service starts; those of others are kept."""
    oldest = "(SELECT coalesce(min(number), 1 << 62) FROM scan_group)"
    for table in TABLES:
        db.execute(f"DELETE FROM {table} WHERE last_group >= {oldest}")
    db.execute("DELETE FROM rollup_mend")
    mending.ask_for_all(db)


def _segments(db: apsw.Connection, done: Salvaged) -> None:
    """Clock segments that were lost are told from their groups; the first group of each is looked for again."""
    lost = every(
        db,
        "SELECT segment, min(number), elapsed_ms, at_ms FROM scan_group "
        "WHERE segment NOT IN (SELECT segment FROM clock_segment) GROUP BY segment",
    )
    for segment, first_group, elapsed_ms, at_ms in lost:
        db.execute(
            "INSERT INTO clock_segment (segment, run, elapsed_ms, at_ms, why, first_group) VALUES (?, '', ?, ?, ?, ?)",
            (segment, elapsed_ms, at_ms, "told from its polls after damage", first_group),
        )
        done.notes.append(f"clock segment {segment} was lost and is told from its polls")
    db.execute(
        "UPDATE clock_segment SET first_group = (SELECT min(number) FROM scan_group g WHERE g.segment = "
        "clock_segment.segment) WHERE (first_group IS NOT NULL OR segment IN (SELECT segment FROM scan_group)) "
        "AND coalesce(first_group, ?1) >= ?1",
        (_oldest_here(db),),
    )


def _oldest_here(db: apsw.Connection) -> int:
    """The first group that lies in no file of the archive: what stands of earlier ones is told by nobody else."""
    ends = files.ends(db) if files.present(db) else None
    return ends[1] + 1 if ends else -(1 << 62)


def _missing(db: apsw.Connection, done: Salvaged) -> None:
    """Holes in the numbers of groups that no recorded gap explains; the group after each now says how long it is."""
    sql = (
        "SELECT before + 1, number - 1 FROM (SELECT number, gap_ms, lag(number) OVER (ORDER BY number) AS before "
        "FROM scan_group) WHERE number > before + 1 AND gap_ms = 0 ORDER BY number"
    )
    done.missing = [(int(a), int(b)) for a, b in every(db, sql)]
    for _, last in done.missing:
        db.execute(
            "UPDATE scan_group SET gap_ms = max(1, elapsed_ms - (SELECT elapsed_ms FROM scan_group WHERE number < ?1 "
            "ORDER BY number DESC LIMIT 1)) WHERE number = ?1",
            (last + 1,),
        )
