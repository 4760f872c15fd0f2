"""A copy of a store that stands by itself: taken while the service runs, checked, and described.

Lives here: taking a backup and checking one. Synchronous, read-only on the store, for a process of its own. May import:
apsw, this room.

A backup is a folder: `store.db` (one file, no log), `store-archive` (the archive's files, where there are any),
`plant.toml` (the plant file in force) and `manifest.json` (what it holds, with the SHA-256 of each file). It is made
under a temporary name, flushed, checked, and only then given its own: a folder without the temporary name is whole.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

import apsw

from daemon.store import rows, schema
from daemon.store.archive.copying import copy_archive
from daemon.store.archive.files import archive_folder
from daemon.store.chain import Chain, verify
from daemon.store.errors import StoreBroken, StoreError, StoreFull, StoreUnknown, translated
from daemon.store.query import every, first
from daemon.store.reader import Reader

FORMAT: Final = 1
STORE, PLANT, MANIFEST = "store.db", "plant.toml", "manifest.json"
TEMPORARY: Final = ".part"
PAGES: Final = 2000  # copied between two looks at the progress
BLOCK: Final = 1 << 20
_TABLES: Final = ("scan_group", "journal", "act", "blow", "calibration", "manual_reading", "outbox", "plant_version")

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds. `findings`: what was wrong with the store when it was copied, one sentence each."""

    format: int
    made_ms: int
    program: str
    schema: int
    plant: str
    store: str  # where the store was
    plant_version: int | None
    last_group: int | None
    last_at_ms: int | None
    records: int  # in the chain
    head: str
    rows: Mapping[str, int]
    files: Mapping[str, Mapping[str, Any]]  # name: bytes, sha256
    findings: tuple[str, ...] = field(default=())


def take(
    store: Path, folder: Path, made_ms: int, name: str, program: str = "", progress: Progress = lambda done, of: None
) -> tuple[Path, Manifest]:
    """Copy a store, running or stopped, into `folder`/`name`; the backup's folder and its manifest.

    The copy is the store at one instant. It is read back whole: what is wrong with it stands in `findings`. Raises
    StoreError, OSError; nothing stays behind then. FileExistsError when there is such a backup already.
    """
    whole, part = folder / name, folder / (name + TEMPORARY)
    if whole.exists():
        raise FileExistsError(f"{whole} is there already.")
    folder.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(mode=0o750)
    try:
        with Reader(store, earlier=True) as reader:
            reader.copy_to(part / STORE, progress, PAGES)
        lost = _copy_archive(store.resolve(), part)
        manifest = _described(store, part, made_ms, program, lost)
        _write(part / MANIFEST, json.dumps(asdict(manifest), indent=1, ensure_ascii=False).encode() + b"\n")
        flush(part)
        part.rename(whole)
        flush(folder)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return whole, manifest


def _copy_archive(store: Path, part: Path) -> list[str]:
    """The files that the copy of the store names, beside it; what is wrong with them."""
    with Reader(part / STORE, earlier=True) as copy:
        files = copy.archive()
    found = copy_archive(archive_folder(store), archive_folder(part / STORE), files)
    if files:
        flush(archive_folder(part / STORE))
    return found


def _described(store: Path, part: Path, made_ms: int, program: str, lost: Sequence[str]) -> Manifest:
    """Look the copy through, write the plant file beside it, and say what is there."""
    path = part / STORE
    db = opened(path)
    try:
        found = findings(db)
        last = rows.last_of(db)
        newest = first(db, f"SELECT {rows.VERSION} FROM plant_version ORDER BY version DESC LIMIT 1")
        chain = Chain()
        chain.load(db)
        counts = {t: int(every(db, f"SELECT count(*) FROM {t}")[0][0]) for t in _TABLES}
        version = schema.version_of(db)
    except apsw.Error as e:
        raise translated(e, str(store)) from e
    finally:
        db.close(True)
    name = ""
    if newest:
        _write(part / PLANT, str(newest[3]).encode())
        with suppress(StoreError):
            name = rows.Plants(lambda v: str(newest[3]), str(store)).plant(newest[0]).plant.name
    files = {
        str(f.relative_to(part)): {"bytes": f.stat().st_size, "sha256": sha256(f)}
        for f in sorted(part.rglob("*"))
        if f.is_file()
    }
    return Manifest(
        *(FORMAT, made_ms, program, version, name, str(store.resolve())),
        newest[0] if newest else None,
        last.number if last else None,
        last.at_ms if last else None,
        chain.seq,
        chain.head.hex(),
        counts,
        files,
        (*found, *lost),
    )


def opened(path: Path) -> apsw.Connection:
    """A copy that nobody writes to, read-only."""
    try:
        db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
        db.pragma("cache_size", -512)
    except apsw.Error as e:
        raise translated(e, str(path)) from e
    return db


def findings(db: apsw.Connection) -> tuple[str, ...]:
    """What is wrong with a store's pages, indexes and chain of records, one sentence each."""
    try:
        found = [str(r[0]) for r in every(db, "PRAGMA integrity_check(20)")]
        return tuple(verify(db)) if found == ["ok"] else tuple(found)
    except apsw.CorruptError as e:
        return (f"the file is damaged ({e})",)


def read_manifest(backup: Path) -> Manifest:
    """The manifest of a backup's folder. StoreUnknown when there is none this program can read."""
    try:
        found = json.loads((backup / MANIFEST).read_text("utf-8"))
        manifest = Manifest(**{**found, "findings": tuple(found["findings"])})
        if manifest.format != FORMAT:
            raise StoreUnknown(f"{backup} is a backup of format {manifest.format}; this program reads {FORMAT}.")
    except OSError as e:
        raise StoreUnknown(
            f"{backup} is no backup: {MANIFEST} cannot be read ({e.strerror}). Give the folder `waterside backup` made."
        ) from e
    except (ValueError, TypeError, KeyError) as e:
        raise StoreBroken(f"{backup / MANIFEST} is damaged ({e}). Use another backup.") from e
    return manifest


def wrong_with(backup: Path, manifest: Manifest) -> tuple[str, ...]:
    """Which files of a backup are not as they were written, one sentence each. OSError is told so too."""
    out = []
    for name, said in manifest.files.items():
        file = backup.joinpath(*(p for p in Path(name).parts[-2:] if p not in ("..", "/")))
        try:
            size = file.stat().st_size
            if size != said["bytes"]:
                out.append(f"{file} has {size} bytes, {said['bytes']} were written")
            elif sha256(file) != said["sha256"]:
                out.append(f"{file} was changed after it was written: its SHA-256 is another")
        except OSError as e:
            out.append(f"{file} cannot be read ({e.strerror})")
    if STORE not in manifest.files:
        out.append(f"the manifest of {backup} names no {STORE}")
    return tuple(out)


def sha256(path: Path) -> str:
    """Of a file, in hex."""
    with path.open("rb") as f:
        return hashlib.file_digest(f, "sha256").hexdigest()


def _write(path: Path, data: bytes) -> None:
    with path.open("xb") as f:
        f.write(data)
        f.flush()
        os.fsync(f.fileno())


def flush(folder: Path) -> None:
    """Make names in a folder durable. Some file systems of sticks refuse it; the files themselves are flushed."""
    with suppress(OSError):
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def room_for(store: Path, folder: Path) -> None:
    """Raise StoreFull when the folder's disk has less room than the store takes."""
    archive = archive_folder(store.resolve())
    size = sum(
        p.stat().st_size for p in (store, store.with_name(store.name + "-wal"), *archive.glob("*")) if p.exists()
    )
    at = next((p for p in (folder, *folder.resolve().parents) if p.exists()), Path("/"))
    free = shutil.disk_usage(at).free
    if free < size + BLOCK:
        raise StoreFull(
            f"{folder} has {free / 1e6:.0f} MB free, the store takes {size / 1e6:.0f} MB. Make room, or give another "
            "folder with --to."
        )
