"""The words of `waterside trend`. Heavy imports are inside."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer


def trend(
    tag: Annotated[str, typer.Argument(help="B1.conductivity, makeup.total, ai.b1_cond ...")],
    start: Annotated[
        str, typer.Option("--from", help='From: "2026-11-20", "2026-11-20 06:00", "-24h", "-365d".')
    ] = "-24h",
    end: Annotated[str, typer.Option("--to", help="To, likewise; a date is that whole day. Default: now.")] = "now",
    points: Annotated[int, typer.Option(min=1, max=100_000, help="Lines or points, at most.")] = 24,
    store: Annotated[Path | None, typer.Option("--store", help="The store's file, as for `status`.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document, for programs.")] = False,
) -> None:
    """A tag over hours or years in few lines: least, mean, greatest and last of each stretch, none of them missed.

    A reading counts when it has a value and is not bad; "good" is the share of readings that are plainly good.

    Example: waterside trend B1.conductivity --from -7d --points 28

    Example: waterside trend makeup.rate --from 2025-01-01 --to 2025-12-31 --points 2000 --json
    """
    from daemon.app.commands import find_store
    from daemon.app.entering import stop
    from daemon.app.trending import TrendRefused
    from daemon.app.trending import trend as found

    try:
        shown = found(find_store(store), tag, start, end, points)
    except TrendRefused as e:
        raise stop(str(e), e.code) from e
    print(json.dumps(shown.as_json(), indent=1, ensure_ascii=False) if as_json else shown.as_text())
