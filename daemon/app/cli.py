"""The command line. Exit codes: 0 all well, 1 a finding or a refusal, 2 misuse.

Lives here: the words of the commands. What they do is in `daemon.app.commands`; heavy imports are inside. `waterside
run` does without the command-line library: it starts on small machines after every power cut.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Sequence
from pathlib import Path


def main(argv: Sequence[str] | None = None) -> None:
    """Entry point of the console script."""
    # no code of other distributions is loaded into the program, and none is searched for
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    args = list(sys.argv[1:] if argv is None else argv)
    if plain := plain_run(args):
        gc.disable()  # nothing of what is loaded now goes away again; `run_plant` turns it on
        from daemon.app.running import run_plant

        sys.exit(run_plant(*plain, live=sys.stdout.isatty()))
    from daemon.app.commands import app

    app(args=args, prog_name="waterside")


def plain_run(args: Sequence[str]) -> tuple[str, Path | None, int | None] | None:
    """Plant file, store and ledger of a `run` without a slip; None for all else, which the library explains."""
    if args[:1] != ["run"]:
        return None
    plant: list[str] = []
    options: dict[str, str] = {}
    rest = iter(args[1:])
    for arg in rest:
        name, eq, value = arg.partition("=")
        if name in ("--store", "--ledger-fd"):
            options[name] = value if eq else next(rest, "")
        else:
            plant.append(arg)
    store, ledger = options.get("--store"), options.get("--ledger-fd")
    slip = store is not None and (not store or store.startswith("-"))
    slip = slip or (ledger is not None and not (ledger.isascii() and ledger.isdigit()))
    if slip or len(plant) != 1 or plant[0].startswith("-") or not plant[0]:
        return None
    return plant[0], Path(store) if store else None, int(ledger) if ledger else None
