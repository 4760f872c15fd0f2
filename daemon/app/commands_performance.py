"""The words of `waterside performance`. Heavy imports are inside."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer


def performance(
    start: Annotated[str, typer.Option("--from", help='Begin: "2026-11-01", "-30d" ...')] = "-30d",
    end: Annotated[str, typer.Option("--to", help='End: a day is meant to its end; "now".')] = "now",
    store: Annotated[Path | None, typer.Option("--store", help="The store's file, as for `status`.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document, for programs.")] = False,
) -> None:
    """How the alarms perform: how many, floods, chattering, stale, the most frequent, time to confirm.

    Measured as ISA-18.2 and IEC 62682 measure an alarm system, from the journal of the log.

    Example: waterside performance --from 2026-11-01 --to 2026-11-30
    """
    from daemon.app.clocking import zone_of
    from daemon.app.commands import find_store
    from daemon.app.entering import stop
    from daemon.app.exporting import ExportError, instant_ms
    from daemon.report.performance import by_day, performance
    from daemon.report.performance_text import days_between, lines
    from daemon.store.reader import Reader

    with Reader(find_store(store)) as reader:
        zone, last = zone_of(reader), reader.last()
        if last is None:
            raise stop("Nothing is stored yet: there is nothing to measure.", 1)
        try:
            from_ms = instant_ms(start, zone, last.at_ms)
            to_ms = instant_ms(end, zone, last.at_ms, end=True)
        except ExportError as e:
            raise stop(str(e), 2) from e
        if from_ms >= to_ms:
            raise stop("--from wants to be before --to.", 2)
        first = next(iter(reader.groups()), None)
        if first is not None:
            from_ms = max(from_ms, first.group.at_ms)
        to_ms = min(to_ms, last.at_ms + 1)
        if from_ms >= to_ms:
            raise stop("Nothing was stored in that time.", 1)
        journal = list(reader.journal(None, to_ms))
        found = performance(journal, from_ms, to_ms)
        days = by_day(journal, days_between(from_ms, to_ms, zone))
    if as_json:
        told = [{"day": day, "raised": n, "busiest_ten_minutes": most} for day, n, most in days]
        print(json.dumps({**found.as_json(), "days": told}, indent=1, ensure_ascii=False))
        return
    print("\n".join(lines(found, days, zone)))
