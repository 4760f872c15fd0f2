"""Which files of an archive there are: their names, their records in the store, and what of each holds.

Lives here: the table `archive_file`. May import: apsw, this room's query and errors. Pure but for the connection
handed in.

A file is recorded once and its record never changes, but for who replaced it and when it was removed; the record, with
the file's SHA-256, is chained like an alarm. A month's file that grows by a day is a new file with a new name and a new
record; the old one is removed a run later.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import apsw

from daemon.store.query import every, first

COLUMNS: Final = "name, plant, first_group, last_group, groups, from_ms, to_ms, watched_ms, bytes, sha256, made_ms"
OLD: Final = ".old"
RECORDED: Final = "recorded"  # what the writing process hears when a file of its may be relied on
HOLDS: Final = "replaced_by IS NULL AND removed_ms IS NULL"


@dataclass(frozen=True, slots=True)
class ArchiveFile:
    """One file: groups `first_group` to `last_group`, all of one plant version, dated `from_ms` to `to_ms` as written.

    `watched_ms`: how long was watched in it, gaps left out.
    """

    name: str
    plant: int
    first_group: int
    last_group: int
    groups: int
    from_ms: int
    to_ms: int
    watched_ms: int
    bytes: int
    sha256: str
    made_ms: int

    @property
    def said(self) -> str:
        """What is in it, for a person."""
        return f"polls {self.first_group} to {self.last_group}, {_day(self.from_ms)} to {_day(self.to_ms)}"


def archive_folder(store: Path) -> Path:
    """Where the archive of a store lies: beside it."""
    return store.with_name(f"{store.stem}-archive")


def place(folder: Path, name: str) -> Path:
    """Where a file lies: under its name, or beside it for a while after another has replaced it."""
    path = folder / name
    old = folder / (name + OLD)
    return old if not path.exists() and old.exists() else path


def file_name(month: str, plant: int, first_group: int, last_group: int) -> str:
    """A name that says what is in it and is never used twice for different groups."""
    return f"readings-{month}-v{plant}-{first_group:09d}-{last_group:09d}.parquet"


def present(db: apsw.Connection) -> bool:
    """False in a store of an earlier schema."""
    return bool(every(db, "SELECT 1 FROM sqlite_schema WHERE name = 'archive_file'"))


def held(db: apsw.Connection) -> tuple[ArchiveFile, ...]:
    """The files that hold now, earliest first."""
    return tuple(
        ArchiveFile(*r) for r in every(db, f"SELECT {COLUMNS} FROM archive_file WHERE {HOLDS} ORDER BY first_group")
    )


def ends(db: apsw.Connection) -> tuple[int, int] | None:
    """The first and the last group in the archive, None when there is none."""
    low = first(db, f"SELECT first_group FROM archive_file WHERE {HOLDS} ORDER BY first_group LIMIT 1")
    high = first(db, f"SELECT last_group FROM archive_file WHERE {HOLDS} ORDER BY first_group DESC LIMIT 1")
    return None if low is None or high is None else (low[0], high[0])


def superseded(db: apsw.Connection) -> tuple[ArchiveFile, ...]:
    """The last hundred files that another has replaced or that were given up."""
    sql = f"SELECT {COLUMNS} FROM archive_file WHERE NOT ({HOLDS}) ORDER BY id DESC LIMIT 100"
    return tuple(ArchiveFile(*r) for r in every(db, sql))


def row(file: ArchiveFile) -> tuple[Any, ...]:
    """In the order of `COLUMNS`."""
    return (
        *(file.name, file.plant, file.first_group, file.last_group, file.groups, file.from_ms, file.to_ms),
        *(file.watched_ms, file.bytes, file.sha256, file.made_ms),
    )


def outlived(files: Sequence[ArchiveFile], keep_ms: int) -> tuple[ArchiveFile, ...]:
    """Files behind which at least `keep_ms` were watched: the clock, which may be wrong by years, is not asked."""
    out, behind = [], 0
    for file in sorted(files, key=lambda f: f.first_group, reverse=True):
        if behind >= keep_ms:
            out.append(file)
        behind += file.watched_ms
    return tuple(reversed(out))


def wrong_with(folder: Path, file: ArchiveFile, *, read: bool = True) -> str:
    """What is wrong with a file, "" when nothing is. `read`: its SHA-256 is compared, else only its size."""
    path = place(folder, file.name)
    try:
        size = path.stat().st_size
        if size != file.bytes:
            return f"{path} has {size} bytes where {file.bytes} were written"
        if read:
            with path.open("rb") as f:
                if hashlib.file_digest(f, "sha256").hexdigest() != file.sha256:
                    return f"{path} was changed after it was written: its SHA-256 is another"
    except FileNotFoundError:
        return f"{path} is missing"
    except OSError as e:
        return f"{path} cannot be read ({e.strerror})"
    return ""


def _day(at_ms: int) -> str:
    try:
        return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%d")
    except (ValueError, OverflowError, OSError):
        return f"{at_ms} ms"
