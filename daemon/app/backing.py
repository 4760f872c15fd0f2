"""`backup` and `restore`: the words, the names of the folders, and what is told.

May import: daemon.store, daemon.core. Runs in the command's own process, at low priority and read-only on the store.
"""

from __future__ import annotations

import os
import re
import sys
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Annotated

import typer

from daemon.core.clock import SystemClock
from daemon.store.errors import StoreBroken, StoreError, StoreRefused, StoreUnknown


def backup(
    place: Annotated[
        Path | None, typer.Argument(metavar="STORE", help="The store's file; default: as for every command.")
    ] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The same, as an option.")] = None,
    to: Annotated[
        Path, typer.Option("--to", help="The folder that gets the backup, a folder of its own in it.")
    ] = Path("backups"),
) -> None:
    """Copy the log while the service runs: checked, with sums, to be restored anywhere.

    Example: waterside backup --to /media/usb
    """
    from daemon.app.commands import find_store
    from daemon.store.backup import room_for, take

    if place is not None and store is not None:
        raise _fail("Give the store once: as STORE or with --store.", 2)
    path = find_store(place or store)
    os.nice(10)
    now = SystemClock().now_ms()
    try:
        room_for(path, to)
        made, manifest = take(path, to, now, f"{_slug(path)}-{_stamp(now)}", program(), _progress)
    except (StoreError, OSError) as e:
        raise _fail(f"No backup was made: {e}") from e
    finally:
        if sys.stderr.isatty():
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
    print(made)
    last = f"group {manifest.last_group}, {_utc(manifest.last_at_ms)}" if manifest.last_at_ms is not None else "none"
    size = sum(int(f["bytes"]) for f in manifest.files.values())
    print(f"{manifest.plant or 'a plant without a name'}: {size / 1e6:.1f} MB, read back whole")
    print(f"newest poll: {last}; plant file version {manifest.plant_version}")
    print(f"records: {manifest.records}:{manifest.head}")
    if manifest.findings:
        print(f"\nThe store itself is not whole; what was found is in the manifest too ({len(manifest.findings)}):")
        for text in manifest.findings[:20]:
            print(f"  {text}")
        print("Keep earlier backups. waterside doctor says more.")
        raise typer.Exit(1)


def restore(
    backup: Annotated[Path, typer.Argument(metavar="BACKUP", help="A folder that `backup` made.")],
    to: Annotated[Path, typer.Option("--to", help="Where the store is to be: its file.")],
    replace: Annotated[
        bool,
        typer.Option("--replace", help="A store there is renamed (NAME.before-...), and this one takes its place."),
    ] = False,
) -> None:
    """Put a backup in place as a store: sums, pages and the chain of records are checked first.

    Example: waterside restore /media/usb/waterside-20261125-133000Z --to /var/lib/waterside/waterside.db
    """
    from daemon.store.restore import restore as put

    folder = backup.parent if backup.name in ("manifest.json", "store.db") else backup
    try:
        done = put(folder, to, _stamp(SystemClock().now_ms()), replace=replace)
    except (StoreRefused, StoreUnknown) as e:
        raise _fail(str(e), 2) from e
    except (StoreBroken, StoreError, OSError) as e:
        raise _fail(str(e)) from e
    m = done.manifest
    for file in done.aside:
        print(f"renamed what was there: {file}")
    print(f"{done.store}: {m.plant}, {m.rows['scan_group']} polls up to {_utc(m.last_at_ms)}, {m.records} records")
    print(
        f"The plant file of that time is {folder / 'plant.toml'}. Start the service; it goes on after the newest poll."
    )


def _fail(text: str, code: int = 1) -> typer.Exit:
    print(text, file=sys.stderr)
    return typer.Exit(code)


def _slug(path: Path) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", path.stem).strip("-").lower() or "store"


def _stamp(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y%m%d-%H%M%SZ")


def _utc(at_ms: int | None) -> str:
    return "never" if at_ms is None else datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def program() -> str:
    """The version of this program, "" when it is not installed."""
    try:
        return version("waterside")
    except PackageNotFoundError:
        return ""


def _progress(done: int, of: int) -> None:
    if sys.stderr.isatty() and of:
        print(f"\r{100 * done // of} %", end="", file=sys.stderr, flush=True)
