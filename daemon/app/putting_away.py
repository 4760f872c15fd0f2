"""`put-away`: the process that writes files of the archive, at low priority and read-only on the store.

The service starts it and talks to it by lines of JSON: it says which file is whole and proven, and goes on when it is
told that the file is recorded. Nobody else needs it. May import: daemon.store, daemon.core.
"""

from __future__ import annotations

import fcntl
import json
import os
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from daemon.core.clock import SystemClock
from daemon.store.archive.files import RECORDED
from daemon.store.errors import StoreError

NICE = 15


def put_away(
    store: Annotated[Path, typer.Option("--store", help="The store's file.")],
    hot_s: Annotated[float, typer.Option("--hot-s", help="How long readings stay in the store, s.")],
    least: Annotated[int | None, typer.Option(help="The newest groups that always stay.")] = None,
    now_ms: Annotated[int | None, typer.Option(help="Plant time, ms UTC.")] = None,
) -> None:
    """Write closed days into the archive. The service does this by itself every night."""
    from daemon.app.backing import program
    from daemon.store.archive.choosing import LEAST, moves
    from daemon.store.archive.files import archive_folder
    from daemon.store.archive.writing import write
    from daemon.store.reader import Reader

    os.nice(NICE)
    try:
        with Reader(store) as reader:
            folder = archive_folder(reader.path)
            folder.mkdir(mode=0o750, exist_ok=True)
            with (folder / ".lock").open("w") as lock:
                try:
                    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except OSError:
                    raise _fail(f"Another process is putting readings away in {folder}.") from None
                for left in (*folder.glob("*.part"), *folder.glob(".waterside-*")):
                    _clear(left)
                made = SystemClock().now_ms() if now_ms is None else now_ms
                for move in moves(reader, round(hot_s * 1000), least=LEAST if least is None else least):
                    print(json.dumps(asdict(write(reader, move, made, program()))), flush=True)
                    if sys.stdin.readline().strip() != RECORDED:
                        raise _fail("The file was not recorded; nothing else is put away.")
    except (StoreError, OSError) as e:
        raise _fail(str(e)) from e


def _clear(left: Path) -> None:
    """What a process that was killed left behind."""
    import shutil

    if left.is_dir():
        shutil.rmtree(left, ignore_errors=True)
    else:
        left.unlink(missing_ok=True)


def _fail(text: str) -> typer.Exit:
    print(text, file=sys.stderr)
    return typer.Exit(1)
