"""The words of `waterside dial`. What it does is in `daemon.app.dialling`; heavy imports are inside."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer


def dial(
    tag: Annotated[str, typer.Argument(metavar="TAG", help="The meter's name in the plant file.")],
    value: Annotated[str, typer.Argument(metavar="VALUE", help='What the dial shows: "48123", or "182.4 m3".')],
    at: Annotated[str | None, typer.Option(help='When it was read: "2026-11-20 06:00", "-2h". Default: now.')] = None,
    by: Annotated[str | None, typer.Option("--by", help="Who read it; default: the login name.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The store's file, as for `status`.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document, for programs.")] = False,
) -> None:
    """Enter the reading of a meter's dial. It is kept beside our total; the difference and a likely cause are shown.

    Example: waterside dial makeup "48123 gal" --by "J. Ortiz"
    """
    from daemon.app.ask import AskError, person
    from daemon.app.commands import find_store
    from daemon.app.dialling import DialError, enter_dial
    from daemon.store.errors import StoreError

    place = find_store(store)
    try:
        done = enter_dial(place, tag, value, at, person(by))
    except (DialError, AskError, StoreError) as e:
        print(f"Not entered: {e}", file=sys.stderr)
        raise typer.Exit(1) from e
    if as_json:
        found = {"act": done.act, "meter": done.meter, "value_m3": done.value_m3, "note": done.note}
        print(json.dumps(found, ensure_ascii=False))
    else:
        print(f"{done.meter}: {done.note}.\nKept as act {done.act}, by {person(by)}; both figures stay as they are.")
