"""`mail test`: one mail the whole way, and what the server said to it; `listen-for`: signs of life of plants.

May import: daemon.app.ask.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

mail = typer.Typer(help="Mail: prove the way to a person.", no_args_is_help=True, add_completion=False)


@mail.callback()
def _group() -> None:
    """Mail: prove the way to a person."""


@mail.command("test")
def mail_test(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The person, as in the plant file.")],
    store: Annotated[Path | None, typer.Option("--store", help="The store of the running service.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document, for programs.")] = False,
) -> None:
    """Send a test mail through the running service and print what the mail server said.

    Example: waterside mail test "On call"
    """
    from daemon.app.ask import AskError, ask
    from daemon.app.commands import find_store

    path = find_store(store)

    def progress(what: object) -> None:
        if isinstance(what, dict) and not as_json:
            print(f"{what.get('state', '')} {what.get('said', '')}".rstrip(), file=sys.stderr)

    try:
        answer: dict[str, Any] = ask(path, {"ask": "mail test", "name": name}, 60.0, progress=progress)
    except AskError as e:
        print(e, file=sys.stderr)
        raise typer.Exit(1) from e
    if as_json:
        print(json.dumps(answer))
    elif answer["state"] == "sent":
        print(f"The mail to {answer['to']} was taken: {answer['said'] or '(nothing was said)'}")
    elif answer["state"] == "refused":
        print(f"The mail to {answer['to']} was refused: {answer['said']}", file=sys.stderr)
    else:
        why = answer["said"] or "the server has not been reached yet"
        print(f"The mail to {answer['to']} still waits: {why}. It is tried again.", file=sys.stderr)
    raise typer.Exit(0 if answer["state"] == "sent" else 1)


def listen_for(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="TOML with [[expect]], [[person]] and [mail].")],
) -> None:
    """Wait for the signs of life of plants, here or elsewhere, and mail when one stays away.

    Example: waterside listen-for office.toml
    """
    from daemon.app.listening import listen_for as listen

    raise typer.Exit(listen(file))
