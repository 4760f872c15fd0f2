"""`waterside note`: a note, work by hand, what state a boiler is in. Heavy imports are inside.

May import: daemon.app.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from daemon.app.entering import stop
from daemon.app.setting_aside import done


def note(
    text: Annotated[str, typer.Argument(metavar="TEXT|BOILER", help="What was seen or done; else the boiler.")] = "",
    target: Annotated[str, typer.Option(help="Boiler, meter or other thing the note is about.")] = "",
    blow_by_hand: Annotated[
        tuple[str, str] | None, typer.Option(metavar="FROM TO", help='The boiler was blown by hand: "09:00" "09:10".')
    ] = None,
    on_site: Annotated[
        str, typer.Option(help='A technician works at the boiler (or, with none, in the house): "2h", "16:00".')
    ] = "",
    left: Annotated[bool, typer.Option("--left", help="The technician has left.")] = False,
    laid_up: Annotated[Literal["wet", "dry"] | None, typer.Option(help="The boiler is laid up; wants --until.")] = None,
    drained: Annotated[bool, typer.Option("--drained", help="The boiler is drained; wants --until.")] = False,
    until: Annotated[str, typer.Option(help='How long that holds: "3d", "Wed 17:00", "2026-11-20".')] = "",
    why: Annotated[str, typer.Option(help="Why; goes on record.")] = "",
    by: Annotated[str | None, typer.Option("--by", help="Who does this; default: the login name.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The store's file, as for `status`.")] = None,
) -> None:
    """Write a note into the log, or say what hands did: it explains what the instruments see.

    Example: waterside note "cleaned strainer B2" --target B2 --by "J. Ortiz"

    Example: waterside note B1 --blow-by-hand 09:00 09:10
    """
    from daemon.measure.aside import BLOW_BY_HAND, ON_SITE

    chosen = [bool(blow_by_hand), bool(on_site), left, laid_up is not None, drained]
    if sum(chosen) > 1:
        raise stop("One thing at a time: --blow-by-hand, --on-site, --left, --laid-up or --drained.", 2)
    if not any(chosen):
        if not text:
            raise stop('A note wants a text: waterside note "cleaned strainer B2" --target B2', 2)
        done(store, by, {"act": "note", "text": text, "target": target}, "the note is in the log")
        return
    boiler = target or text
    body: dict[str, Any] = {"act": "hand", "target": boiler, "why": why}
    if blow_by_hand:
        begin, end = blow_by_hand
        body |= {"what": BLOW_BY_HAND, "from": begin, "to": end}
        done(store, by, body, f"{boiler} was blown by hand: on record")
    elif on_site:
        body |= {"what": ON_SITE, "until": on_site}
        done(store, by, body, f"technician on site at {boiler or 'the house'}")
        print("What hands cause is in the journal at once and goes out by mail only when it outlasts that.")
    elif left:
        done(store, by, body | {"what": "left"}, f"nobody at {boiler or 'the house'} any more")
    else:
        state = "drained" if drained else f"laid up {laid_up}"
        if not until:
            raise stop("That holds for a time only: give its end with --until.", 2)
        done(store, by, body | {"act": "word", "state": state, "until": until}, f"{boiler} is taken as {state}")
