"""A start that is broken off by Ctrl-C ends: no thread of a half-opened store keeps the process alive."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

PROGRAM = """
import asyncio, signal, sys
from daemon.store.writer import Writer

async def main():
    # with a handler of the loop, as the service has: one of `signal.signal` is not run before the loop wakes
    asyncio.get_running_loop().add_signal_handler(signal.SIGINT, asyncio.current_task().cancel)
    print("opening", flush=True)
    writer = await Writer.open(sys.argv[1], owner="Quillmarsh Creamery")
    try:
        print("open", flush=True)
        await asyncio.sleep(60)
    finally:
        await writer.aclose()

try:
    asyncio.run(main())
except asyncio.CancelledError:
    pass
"""


def test_an_opening_broken_off_at_any_moment_ends_and_leaves_the_store_usable(tmp_path: Path) -> None:
    early = 0
    for k in range(24):
        store = tmp_path / f"{k % 3}.db"  # new ones, and ones that were broken off before
        command = [sys.executable, "-P", "-c", PROGRAM, str(store)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as opening:
            assert opening.stdout is not None
            assert opening.stdout.readline() == "opening\n"
            time.sleep(k * 0.0005)
            opening.send_signal(signal.SIGINT)
            try:
                said, _ = opening.communicate(timeout=20)
            except subprocess.TimeoutExpired:
                opening.kill()
                raise
            early += "open" not in said
    assert early, "every interrupt came after the store was open: this showed nothing"
