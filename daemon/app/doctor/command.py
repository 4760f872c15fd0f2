"""The words of `waterside doctor`, and the order of its looks.

May import: daemon.store, this room.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from daemon.app.doctor import log, machine, reach
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
            machine.look_at_space(report, reader, plant)
            machine.look_at_clock(report, reader, now, synchronised())
            machine.look_at_files(report, reader)
            machine.look_at_mail_rows(report, reader, now)
            running = reader.running
    except StoreError as e:
        report.error("log", str(e), log.SALVAGE)
        return report
    if plant is not None and not offline:
        reach.look_at_relay(report, plant.mail)
        reach.look_at_links(report, plant, running)
    return report
