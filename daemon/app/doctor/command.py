"""The words of `waterside doctor`, and the order of its looks.

May import: daemon.store, this room.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from daemon.app.copying import copy_name, destination
from daemon.app.doctor import archive, averages, log, machine, reach
from daemon.app.doctor.report import Report
from daemon.core.clock import SystemClock, synchronised
from daemon.store.chain import read_head
from daemon.store.errors import StoreError
from daemon.store.reader import Reader


def doctor(
    store: Annotated[
        Path | None, typer.Option("--store", help="The store's file; default: as for every command.")
    ] = None,
    against: Annotated[
        str, typer.Option(help="COUNT:HASH noted earlier: are those records still what they were?")
    ] = "",
    offline: Annotated[bool, typer.Option("--offline", help="Leave out mail server and links.")] = False,
    salvage_to: Annotated[
        Path | None, typer.Option("--salvage-to", help="Put what can be read of a damaged store into a new file.")
    ] = None,
    rebuild_averages: Annotated[
        bool,
        typer.Option("--rebuild-averages", help="Work out damaged minutes, hours and days again; service stopped."),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document, for programs.")] = False,
) -> None:
    """Look the log through, and what it depends on; each finding with what to do. 0: none, 1: some, 2: no look.

    Example: waterside doctor

    Example: waterside doctor --against 1042:9f3a...
    """
    from daemon.app.commands import find_store

    path = find_store(store)
    try:
        said = read_head(against) if against else None
    except ValueError as e:
        print(f"--against {e}", file=sys.stderr)
        raise typer.Exit(2) from e
    os.nice(10)
    if salvage_to is not None:
        raise typer.Exit(_salvage(path, salvage_to, as_json))
    if rebuild_averages:
        raise typer.Exit(_rebuild(path))
    report = examine(path, said, offline=offline)
    print(json.dumps(report.as_json(), indent=1, ensure_ascii=False) if as_json else report.as_text())
    raise typer.Exit(report.exit_code)


def examine(path: Path, against: tuple[int, str] | None = None, *, offline: bool = False) -> Report:
    """All looks at one store. A look that fails is a finding, not the end of the others."""
    report = Report(figures={"store": str(path)})
    now = SystemClock().now_ms()
    machine.look_at_names(report)
    try:
        with Reader(path) as reader:
            plant = log.look_at_log(report, reader, against, now)
            averages.look_at_averages(report, reader)
            archive.look_at_archive(report, reader, plant)
            machine.look_at_space(report, reader, plant)
            machine.look_at_clock(report, reader, now, synchronised())
            machine.look_at_files(report, reader)
            machine.look_at_mail_rows(report, reader, now)
            running = reader.running
            copy = plant.copy_to if plant is not None else None
            last = reader.last()
            behind = last.number - reader.copied(destination(copy))[0] if copy is not None and last is not None else 0
    except StoreError as e:
        report.error("log", str(e), log.SALVAGE)
        return report
    if plant is not None and not offline:
        reach.look_at_relay(report, plant.mail)
        reach.look_at_mailbox(report, plant.mailbox)
        reach.look_at_copy(report, copy, copy_name(plant), behind)
        reach.look_at_links(report, plant, running)
    return report


def _rebuild(path: Path) -> int:
    """Work out again what does not fit the polls. 2 when nothing was done."""
    try:
        count = asyncio.run(averages.rebuild(path))
    except (StoreError, OSError) as e:
        print(str(e), file=sys.stderr)
        return 2
    print(f"{count} minutes, hours or days did not fit the polls or were missing; all are worked out again")
    return 0


def _salvage(path: Path, to: Path, as_json: bool) -> int:
    """Salvage, and say what was found and what was not. 1 where anything is lost, 2 when nothing was done."""
    from dataclasses import asdict

    from daemon.store.salvage import salvage

    try:
        done = salvage(path, to, SystemClock().now_ms())
    except (StoreError, OSError) as e:
        print(str(e), file=sys.stderr)
        return 2
    whole = not (done.missing or done.unread_pages or done.notes or done.findings) and done.log_read
    if as_json:
        print(json.dumps({**asdict(done), "path": str(done.path), "whole": whole}, indent=1, ensure_ascii=False))
        return 0 if whole else 1
    print(f"{done.path}: {done.text}")
    for table, count in sorted(done.rows.items()):
        print(f"  {count:>9} {table}")
    if done.missing:
        shown = ", ".join(f"{a}" if a == b else f"{a} to {b}" for a, b in done.missing[:10])
        print(f"Groups that are lost: {shown}{' ...' if len(done.missing) > 10 else ''}")
    if not done.log_read:
        print("The newest polls, still in the log beside the file (-wal), could not be read.")
    for text in (*done.notes, *done.findings[:20]):
        print(f"  {text}")
    print(f"{path} was not changed: keep it. Compare with a backup what it has that this has not.")
    return 0 if whole else 1
