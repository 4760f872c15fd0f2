"""The process that copies the log to a central server: `python -m daemon.app.copy_child`, started by the service.

It is given one line of JSON on standard input (store, name, copy, cursor), works until that is closed, and answers on
standard output with lines of JSON: {"group", "corrections", "at_ms", "lines"} for what was taken, {"trouble",
"refused"} for what keeps it from going on, {"left_out"} for a line the server will not take, {"skew_s"} for its clock.
At low priority; it reads the store and nothing else. May import: config, daemon.store.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from pathlib import Path
from typing import Any

from daemon.core.clock import SystemClock
from daemon.store.copying import SKEW_S, Copier, CopyTrouble, Server, pause_s
from daemon.store.errors import StoreError
from daemon.store.records import Cursor


def main() -> None:
    """Copy until standard input is closed."""
    from config.model import Copy

    os.nice(10)
    given = json.loads(sys.stdin.readline())
    ended = threading.Event()
    threading.Thread(target=_watch, args=(ended,), daemon=True).start()
    copy = Copy.model_construct(**given["copy"])
    cursor = Cursor(int(given["group"]), int(given["corrections"]))
    failures = 0
    server: Server | None = None
    skew_asked = False
    while not ended.is_set():
        wait_s = float(given["every_s"])
        try:
            server = server or Server(copy)
            if not skew_asked:
                skew_asked = True
                skew = server.ask_clock(SystemClock().now_ms() / 1000)
                if skew is not None and abs(skew) > SKEW_S:
                    _say({"skew_s": round(skew)})
            copier = Copier(Path(given["store"]), str(given["name"]), server, cursor)
            while not ended.is_set():
                done = copier.round()
                cursor, failures = done.cursor, 0
                for text in done.left_out:
                    _say({"left_out": text})
                told = {"group": cursor.group, "corrections": cursor.corrections}
                _say({**told, "at_ms": done.at_ms, "lines": done.lines})
                if not done.more:
                    break
        except CopyTrouble as e:
            failures += 1
            _say({"trouble": str(e), "refused": e.refused})
            wait_s = max(wait_s, pause_s(failures))
            if server is not None and e.refused:  # the token may be renewed meanwhile
                server.close()
                server = None
        except StoreError as e:
            failures += 1
            _say({"trouble": f"the log cannot be read: {e}", "refused": False})
            wait_s = max(wait_s, pause_s(failures))
        ended.wait(wait_s)
    if server is not None:
        server.close()


def _watch(ended: threading.Event) -> None:
    """The service ends it by closing its input, and so does the end of the service itself."""
    sys.stdin.read()
    ended.set()


def _say(record: dict[str, Any]) -> None:
    print(json.dumps(record, ensure_ascii=False), flush=True)


if __name__ == "__main__":
    main()
