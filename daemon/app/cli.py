"""The command line. Exit codes: 0 all well, 1 a finding or a refusal, 2 misuse.

Lives here: the words of the commands. What they do is in `daemon.app.commands`; heavy imports are inside. `waterside
run` does without the command-line library: it starts on small machines after every power cut.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence


def main(argv: Sequence[str] | None = None) -> None:
    """Entry point of the console script."""
    args = list(sys.argv[1:] if argv is None else argv)
    if args[:1] == ["run"] and len(args) == 2 and not args[1].startswith("-"):
        from daemon.app.running import run_plant

        sys.exit(run_plant(args[1]))
    from daemon.app.commands import app

    app(args=args, prog_name="waterside")
