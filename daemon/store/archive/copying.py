"""An archive beside one store copied beside another: for backups, restores and salvage.

May import: this room. Synchronous. Every file is read once and compared with what was recorded of it; one that is not
whole is told and, whole or not, copied as far as it can be read.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from daemon.store.archive.files import ArchiveFile, place, wrong_with

BESIDE = ("*.txt", "*.toml", "*.csv", "*.sql")


def copy_archive(source: Path, to: Path, files: Sequence[ArchiveFile], *, link: bool = False) -> list[str]:
    """Copy the files that hold, and what explains them, from one folder to another; what is wrong, a sentence each.

    `link`: another name for the same file where the disk allows it. OSError when `to` cannot be written.
    """
    found: list[str] = []
    if not files:
        return found
    to.mkdir(mode=0o750, parents=True, exist_ok=True)
    for file in files:
        there = place(source, file.name)
        if not there.exists():
            found.append(f"{there} is missing: {file.said}")
            continue
        _put(there, to / file.name, link)
        if why := wrong_with(to, file):
            found.append(f"{wrong_with(source, file) or why}: {file.said}")
    for pattern in BESIDE:
        for beside in source.glob(pattern):
            _put(beside, to / beside.name, link=False)
    return found


def _put(source: Path, to: Path, link: bool) -> None:
    if link:
        with suppress(OSError):
            os.link(source, to)
            return
    with source.open("rb") as a, to.open("xb") as b:
        shutil.copyfileobj(a, b, 1 << 20)
        b.flush()
        os.fsync(b.fileno())
