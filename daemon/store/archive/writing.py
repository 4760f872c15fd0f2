"""Writes one file of the archive: whole and proven under its name, or not there at all.

Lives here: that way, step by step. May import: config, daemon.core, the store room. For a process of its own at low
priority, read-only on the store.

Written under a temporary name; flushed; read back by another connection and compared with what it came from, every
group to the byte; then given its name, and the folder flushed. Until the service has recorded it in the store, nothing
looks at it.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from daemon.store.archive import views
from daemon.store.archive.choosing import Move
from daemon.store.archive.columns import Column, Form, Raw, columns_of, quoted
from daemon.store.archive.files import ArchiveFile, archive_folder, file_name, wrong_with
from daemon.store.archive.reading import Shelf
from daemon.store.backup import flush
from daemon.store.errors import StoreBroken, StoreFull
from daemon.store.packing import PackingError
from daemon.store.query import every
from daemon.store.reader import Reader
from daemon.store.rows import GROUP

if TYPE_CHECKING:
    import duckdb

FORMAT: Final = "1"
PART: Final = ".part"
SLICE: Final = 5000  # groups fed at a time
CELLS: Final = 16_000_000  # values a block of a file may have, so that writing it fits in memory
BLOCK: Final = 122_880
SETTINGS: Final = "format parquet, parquet_version v2, compression zstd, compression_level 19, dictionary_size_limit 1"


def write(reader: Reader, move: Move, made_ms: int, program: str = "") -> ArchiveFile:
    """Put a stretch of groups into a file; what is to be recorded of it.

    StoreBroken when the file does not read back as it was written or the file it joins is not whole; StoreFull;
    OSError. Nothing stays behind then.
    """
    folder = archive_folder(reader.path)
    folder.mkdir(mode=0o750, exist_ok=True)
    columns = columns_of(reader.plant(move.plant))
    joins = move.joins
    if joins is not None:
        if why := wrong_with(folder, joins):
            raise reader.shelf.broken(joins, f"{why}. Nothing is joined to it")
        if reader.shelf.form(joins).columns != columns:  # an earlier program knew other derived tags
            joins = None
    begin = joins.first_group if joins else move.first
    path = folder / file_name(move.month, move.plant, begin, move.last)
    part = path.with_name(path.name + PART)
    part.unlink(missing_ok=True)
    try:
        found = _copied(reader, folder, move, joins, columns, part, _said(reader, move, columns, made_ms, program))
        with part.open("rb+") as f:
            os.fsync(f.fileno())
        _prove(reader, folder, move, joins, part)
        with part.open("rb") as f:
            sha = hashlib.file_digest(f, "sha256").hexdigest()
        size = part.stat().st_size
        views.describe(reader, folder, move.plant)
        part.rename(path)
        flush(folder)
    except OSError as e:
        part.unlink(missing_ok=True)
        raise _told(e, part) from e
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return ArchiveFile(path.name, move.plant, begin, move.last, *found, size, sha, made_ms)


def _told(error: OSError, path: Path) -> Exception:
    return StoreFull(f"No space to write {path}. Make room on that disk.") if error.errno == 28 else error


# ------------------------------------------------------------------ writing


def _copied(
    reader: Reader,
    folder: Path,
    move: Move,
    joins: ArchiveFile | None,
    columns: tuple[Column, ...],
    part: Path,
    said: dict[str, str],
) -> tuple[int, int, int, int]:
    """The file under its temporary name; how many groups, the earliest and the latest date, how long was watched."""
    import duckdb

    from daemon.store.duck import connected

    form = Form(columns, reader.layout(move.plant))
    with connected(folder) as db:
        try:
            declared = ", ".join(f"{c.quoted} {'BIGINT' if c.role == 'time' else c.type}" for c in columns)
            db.execute(f"CREATE TABLE fresh ({declared})")
            watched = _feed(reader, db, move, form)
            shown = ", ".join(
                f"CAST(make_timestamp_ms({c.quoted}) AS TIMESTAMP_MS) AS {c.quoted}" if c.role == "time" else c.quoted
                for c in columns
            )
            query = f"SELECT {shown} FROM fresh"
            if joins:
                named = ", ".join(c.quoted for c in columns)
                old = f"SELECT {named} FROM read_parquet({_text(str(folder / joins.name))})"
                # a union of more than one block keeps no order by itself
                query = f"SELECT * FROM ({old} UNION ALL {query}) ORDER BY number"
            rows = max(2048, min(BLOCK, CELLS // len(columns) // 2048 * 2048))
            meta = ", ".join(f"{quoted(k)}: {_text(v)}" for k, v in said.items())
            db.execute(
                f"COPY ({query}) TO {_text(str(part))} ({SETTINGS}, row_group_size {rows}, kv_metadata {{{meta}}})"
            )
            count, low, high = _one(
                db,
                "SELECT count(*), epoch_ms(min(time_utc)), epoch_ms(max(time_utc)) FROM "
                f"read_parquet({_text(str(part))})",
            )
        except duckdb.Error as e:
            raise _failed(e, part) from e
    return count, low, high, watched + (joins.watched_ms if joins else 0)


def _feed(reader: Reader, db: duckdb.DuckDBPyConnection, move: Move, form: Form) -> int:
    """Fill the table in order; how long was watched, gaps left out, ms."""
    types = ["BIGINT" if c.role == "time" else c.type for c in form.columns]
    marks = ", ".join(f"unnest(?::{t}[])" for t in types)
    watched, before = 0, None
    for slice_ in hot(reader, move):
        rows = []
        for raw in slice_:
            try:
                rows.append(form.row(raw))
            except PackingError as e:
                raise StoreBroken(f"Group {raw[0]} cannot be read back: {e}. Restore from a backup.") from e
            if before is not None:
                watched += max(0, raw[2] - before - raw[4])
            before = raw[2]
        db.execute(f"INSERT INTO fresh SELECT {marks}", [list(c) for c in zip(*rows, strict=True)])
    return watched


def hot(reader: Reader, move: Move) -> Iterator[list[Raw]]:
    """The groups of a move as the hot table has them, in slices."""
    sql = f"SELECT {GROUP} FROM scan_group WHERE number BETWEEN ? AND ? ORDER BY number LIMIT ?"
    number = move.first
    while True:
        found: list[Any] = reader.ask(lambda db, n=number: every(db, sql, (n, move.last, SLICE)))  # type: ignore[misc]
        if not found:
            return
        yield found
        number = found[-1][0] + 1


def _said(reader: Reader, move: Move, columns: tuple[Column, ...], made_ms: int, program: str) -> dict[str, str]:
    """What the file says of itself, as text by key."""
    plant = reader.plant(move.plant)
    version = next(v for v in reader.plant_versions() if v.version == move.plant)
    return {
        "format": FORMAT,
        "about": "Readings of a boiler plant. A row is one group of polls. Counts are as they came; what one stands "
        "for is in `scaling`. Verdict 0 is good; `reasons` names the others. Times are UTC as the clock said.",
        "program": program,
        "made_ms": str(made_ms),
        "plant": plant.plant.name,
        "zone": plant.plant.zone,
        "plant_version": str(move.plant),
        "plant_sha256": version.sha256,
        "columns": json.dumps([asdict(c) for c in columns], ensure_ascii=False, separators=(",", ":")),
        "scaling": json.dumps(views.scaling(plant), ensure_ascii=False, separators=(",", ":")),
        "reasons": json.dumps(views.REASONS, ensure_ascii=False, separators=(",", ":")),
    }


# ------------------------------------------------------------------ proof


def _prove(reader: Reader, folder: Path, move: Move, joins: ArchiveFile | None, part: Path) -> None:
    """Read the file back by a connection of its own; StoreBroken unless every group is what it was."""
    import duckdb

    from daemon.store.duck import connected

    written = ArchiveFile(part.name, move.plant, move.first, move.last, 0, 0, 0, 0, 0, "", 0)
    with closing(Shelf(folder, reader.layout)) as shelf:
        fresh = (raw for slice_ in hot(reader, move) for raw in slice_)
        for was, found in zip_longest(fresh, shelf.raw(written, move.first, move.last)):
            if was != found:
                number = (was or found or (0,))[0]
                raise StoreBroken(
                    f"{part} does not read back as it was written, at group {number}. Check the disk; what is stored "
                    "stays where it is."
                )
    with connected(folder) as db:
        try:
            new, old = (f"read_parquet({_text(str(p))})" for p in (part, folder / joins.name if joins else part))
            if joins:
                count, other = _one(
                    db,
                    "SELECT count(*), count(*) FILTER (WHERE a IS DISTINCT FROM b) FROM "
                    f"(SELECT * FROM {new} WHERE number <= {joins.last_group}) a "
                    f"POSITIONAL JOIN (SELECT * FROM {old}) b",
                )
                if other or count != joins.groups:
                    raise StoreBroken(
                        f"{part} does not hold what {joins.name} holds ({other} of {count} groups differ). Check the "
                        "disk; what is stored stays where it is."
                    )
            disorder = _one(
                db, f"SELECT count(*) FROM (SELECT number - lag(number) OVER () AS d FROM {new}) WHERE d <= 0"
            )
        except duckdb.Error as e:
            raise _failed(e, part) from e
    if disorder[0]:
        raise StoreBroken(f"{part} is not in order. What is stored stays where it is.")


def _one(db: duckdb.DuckDBPyConnection, sql: str) -> tuple[Any, ...]:
    row = db.execute(sql).fetchone()
    assert row is not None
    return tuple(row)


def _failed(error: Exception, part: Path) -> Exception:
    text = str(error).splitlines()[0]
    if "No space left" in text:
        return StoreFull(f"No space to write {part} ({text}). Make room on that disk.")
    return StoreBroken(f"{part} cannot be written ({text}). What is stored stays where it is.")


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"
