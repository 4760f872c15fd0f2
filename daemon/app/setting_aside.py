"""`waterside out`, `back`, `shelve`, `unshelve`, `release`: what is set aside, by whom, why, until when.
Heavy imports are inside.

May import: daemon.app.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.app.entering import seen, stop

By = Annotated[str | None, typer.Option("--by", help="Who does this; default: the login name.")]
Store = Annotated[Path | None, typer.Option("--store", help="The store's file, as for `status`.")]
Until = Annotated[str, typer.Option(help='Until when: "3d", "8h", "17:00", "Wed 17:00", "2026-11-20".')]
Why = Annotated[str, typer.Option(help="Why; goes on record.")]
Number = Annotated[int, typer.Argument(help="The alarm's number, as in the mail's subject.")]


def out(
    target: Annotated[str, typer.Argument(help="A boiler, a tag like B1.probe, a meter, tank, module or link.")],
    until: Until,
    why: Why,
    drained: Annotated[
        bool, typer.Option("--drained", help="The boiler is drained: its low-water alarm is out of service too.")
    ] = False,
    by: By = None,
    store: Store = None,
) -> None:
    """Take a boiler or a tag out of service. Readings go on and say so; alarms come back when the time is over.

    Low water stays in service, unless the boiler is declared drained. It changes nothing at the boiler.

    Example: waterside out B1 --until "Wed 17:00" --why "inspector" --by "J. Ortiz"
    """
    body = {"act": "out", "target": target, "until": until, "why": why, "drained": drained}
    done(store, by, body, f"{target} is out of service")


def back(
    target: Annotated[str, typer.Argument(help="What was taken out of service.")],
    why: Annotated[str, typer.Option(help="What is to be known about it.")] = "",
    by: By = None,
    store: Store = None,
) -> None:
    """Put a boiler or a tag back into service before its time is over. Its alarms are judged anew.

    Example: waterside back B1 --by "J. Ortiz"
    """
    done(store, by, {"act": "back", "target": target, "why": why}, f"{target} is back in service")


def shelve(number: Number, until: Until, why: Why, by: By = None, store: Store = None) -> None:
    """Put a standing alarm aside for a time. Water level alarms and failed safety tests never are.

    Example: waterside shelve 1042 --until 17:00 --why "float on order" --by "J. Ortiz"
    """
    body = {"act": "shelve", "occurrence": number, "until": until, "why": why}
    done(store, by, body, f"alarm {number} is put aside")


def release(number: Number, by: By = None, store: Store = None) -> None:
    """Let go of the record of an alarm that has cleared and is held for a look. It changes nothing at the plant.

    Example: waterside release 1042 --by "J. Ortiz"
    """
    done(store, by, {"act": "release", "occurrence": number}, f"the record of alarm {number} is let go of")


def unshelve(number: Number, by: By = None, store: Store = None) -> None:
    """Take an alarm that was put aside up again: it is judged anew.

    Example: waterside unshelve 1042 --by "J. Ortiz"
    """
    done(store, by, {"act": "unshelve", "occurrence": number}, f"alarm {number} is no longer put aside")


def done(store: Path | None, by: str | None, body: dict[str, Any], text: str) -> None:
    """Send an act, its times (until, from, to) read on the plant's clock; say what was done, or why not."""
    from zoneinfo import ZoneInfo

    from daemon.app.ask import AskError, ask, person
    from daemon.app.commands import find_store
    from daemon.app.moments import MomentError, clock_text, past_ms, until_ms

    place, who = find_store(store), person(by)
    tail = ""
    try:
        if body.keys() & {"until", "from", "to"}:
            now = seen(place)
            zone = ZoneInfo(now.zone)
            if "until" in body:
                end = body["until_ms"] = until_ms(body.pop("until"), zone, now.now_ms)
                tail = f" until {clock_text(end, zone)}"
            else:
                body["from_ms"] = past_ms(body.pop("from"), zone, now.now_ms)
                to = body.pop("to")
                end = past_ms(to, zone, now.now_ms)
                body["until_ms"] = end if end > body["from_ms"] else until_ms(to, zone, now.now_ms)
        answer = ask(place, body | {"by": who}, 30.0)
    except (MomentError, AskError) as e:
        raise stop(str(e)) from e
    print(f"{text}{tail} (act {answer['number']}, by {who})")
