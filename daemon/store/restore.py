"""A store from a backup: checked, put in its place under a temporary name first, and nothing written over.

Lives here: that one way. May import: this room. What is in the way stays under another name, when that was asked for.
"""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from daemon.store.archive.files import archive_folder
from daemon.store.backup import STORE, Manifest, findings, flush, opened, read_manifest, sha256, wrong_with
from daemon.store.errors import StoreBroken, StoreRefused
from daemon.store.lock import StoreLock
from daemon.store.schema import check_known

BESIDE: Final = ("", "-wal", "-shm")


@dataclass(frozen=True, slots=True)
class Restored:
    """What was restored, and the files that were in the way and where they are now."""

    store: Path
    manifest: Manifest
    aside: tuple[Path, ...] = ()


def restore(backup: Path, to: Path, stamp: str, *, replace: bool = False) -> Restored:
    """Put the store of a backup at `to`.

    Checked before anything is touched: sums, pages, indexes, chain. `replace`: files in the way are renamed to
    NAME.before-`stamp`. StoreBroken when the backup is not whole, StoreRefused when something is in the way,
    StoreBusy when a service has `to` open, StoreUnknown for what is no backup; OSError.
    """
    manifest = read_manifest(backup)
    wrong = wrong_with(backup, manifest)
    if wrong:
        raise StoreBroken("; ".join(wrong) + ". Nothing was restored: use another backup.")
    to = to.resolve()
    to.parent.mkdir(parents=True, exist_ok=True)
    lock = StoreLock(to, "waterside restore")
    part = to.with_name(to.name + ".restoring")
    try:
        there = [p for p in (*(to.with_name(to.name + end) for end in BESIDE), archive_folder(to)) if p.exists()]
        if there and not replace:
            raise StoreRefused(
                f"{there[0]} is there already. Give another path, or --replace: what is there is then renamed, not "
                "removed. Nothing was changed."
            )
        owner = to.parent.stat()
        _copy(backup / STORE, part, owner)
        if os.geteuid() == 0:
            lock_file = to.with_name(to.name + ".lock")
            os.chown(lock_file, owner.st_uid, owner.st_gid)
        _check(part, manifest, backup)
        archive = _copy_archive(backup, archive_folder(to))
        aside = []
        for file in there:
            end = "-archive" if file == archive_folder(to) else file.name.removeprefix(to.name)
            kept = file.with_name(f"{to.name}.before-{stamp}{end}")
            if kept.exists():
                raise StoreRefused(f"{kept} is there already: wait a second and try again.")
            file.rename(kept)
            aside.append(kept)
        if archive is not None:
            archive.rename(archive_folder(to))
        part.rename(to)
        flush(to.parent)
    finally:
        shutil.rmtree(_coming(archive_folder(to)), ignore_errors=True)
        part.unlink(missing_ok=True)
        lock.release()
    return Restored(to, manifest, tuple(aside))


def _coming(archive: Path) -> Path:
    return archive.with_name(archive.name + ".restoring")


def _copy_archive(backup: Path, archive: Path) -> Path | None:
    """The backup's archive under a temporary name beside its place; None when it has none."""
    source, part = archive_folder(backup / STORE), _coming(archive)
    if not source.is_dir():
        return None
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(mode=0o750)
    owner = part.parent.stat()
    for file in sorted(source.iterdir()):
        _copy(file, part / file.name, owner)
    if os.geteuid() == 0:
        os.chown(part, owner.st_uid, owner.st_gid)
    flush(part)
    return part


def _copy(source: Path, part: Path, owner: os.stat_result) -> None:
    part.unlink(missing_ok=True)
    with source.open("rb") as a, part.open("xb") as b:
        shutil.copyfileobj(a, b, 1 << 20)
        b.flush()
        os.fsync(b.fileno())
    part.chmod(0o640)
    if os.geteuid() == 0:  # the service's own user must be able to open it
        os.chown(part, owner.st_uid, owner.st_gid)


def _check(part: Path, manifest: Manifest, backup: Path) -> None:
    if sha256(part) != manifest.files[STORE]["sha256"]:
        raise StoreBroken(f"{part} does not read back as it was written. Check the disk; nothing was restored.")
    db = opened(part)
    try:
        check_known(db, str(backup / STORE))
        found = findings(db)
    finally:
        db.close(True)
    if found:
        raise StoreBroken(
            f"The store in {backup} is not whole: {found[0]}"
            + (f", and {len(found) - 1} more" if len(found) > 1 else "")
            + ". Use an earlier backup, or take what can be read: waterside doctor --store "
            f"{backup / STORE} --salvage-to FILE. Nothing was restored."
        )
