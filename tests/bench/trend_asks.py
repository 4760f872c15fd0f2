"""One trend asked of a store, in a process that does nothing else: prints its highest resident memory in MB."""

from __future__ import annotations

import sys
from pathlib import Path

from daemon.store.history import History, Trend
from daemon.store.reader import Reader


def ask(store: Path, tag: str, from_ms: int, to_ms: int, points: int) -> Trend:
    with Reader(store) as reader:
        return History(reader).trend(tag, from_ms, to_ms, points)


if __name__ == "__main__":
    ask(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), int(sys.argv[5]))
    told = Path("/proc/self/status").read_text("ascii")  # not getrusage: that begins with the parent's memory
    print(int(told.split("VmHWM:")[1].split()[0]) / 1024)
