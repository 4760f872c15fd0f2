"""The words of `waterside clock`. Heavy imports are inside."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer


def clock(
    segment: Annotated[
        int | None, typer.Argument(help="The segment to put right; without one they are listed.")
    ] = None,
    began: Annotated[str, typer.Option(help='When it really began: "2026-11-25 06:00".')] = "",
    right: Annotated[bool, typer.Option("--right", help="Its clock was right.")] = False,
    every: Annotated[bool, typer.Option("--all", help="List all, not the last ten and those in doubt.")] = False,
    by: Annotated[str | None, typer.Option("--by", help="Who does this; default: the login name.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The store's file, as for `status`.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document, for programs.")] = False,
) -> None:
    """How dates in the log hang on the PC's clock, and putting right those written under a wrong one.

    Counts are not touched: the correction is a record, and everything shown is dated by it.

    Example: waterside clock 3 --began "2026-11-25 06:00" --by "J. Ortiz"
    """
    from daemon.app.clocking import show, zone_of
    from daemon.app.commands import find_store
    from daemon.app.entering import stop
    from daemon.app.exporting import ExportError, instant_ms
    from daemon.app.setting_aside import done
    from daemon.store.reader import Reader

    path = find_store(store)
    if segment is None:
        rows, lines = show(path, every=every)
        print(json.dumps(rows, indent=1, ensure_ascii=False) if as_json else "\n".join(lines))
        return
    if bool(began) is right:
        raise stop("Say when it really began (--began), or that its clock was right (--right).", 2)
    with Reader(path) as reader:
        found = next((s for s in reader.clock_segments() if s.segment == segment), None)
        if found is None:
            raise stop(f"There is no clock segment {segment}. `waterside clock` lists them.", 2)
        try:
            at = found.at_ms if right else instant_ms(began, zone_of(reader), found.at_ms)
        except ExportError as e:
            raise stop(str(e), 2) from e
    done(store, by, {"act": "clock", "segment": segment, "began_ms": at}, f"segment {segment} is dated anew")
