"""A process that commits and says so on a pipe is killed at random: what it said is there, and nothing twice."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from pathlib import Path

from daemon.store.reader import Reader
from tests.support.stores import Expected, made

KILLS = 10
CHILD = """
import asyncio, sys
from pathlib import Path
from daemon.store import ledger
from daemon.store.writer import Writer
from tests.support.stores import begin, commit, made
ledger.WAL_PAGES = 20  # fold the log in often, so that kills fall there too
async def main():
    path = Path(sys.argv[1])
    writer = await (Writer.open(path, owner="Quillmarsh Creamery") if path.exists() else begin(path))
    last = await writer.last()
    number = last.number if last else 0
    while True:
        number += 1
        await commit(writer, made(number))
        print(number, flush=True)
asyncio.run(main())
"""


def test_whatever_was_reported_before_a_kill_is_stored(tmp_path: Path) -> None:
    path, chance, reported = tmp_path / "a.db", random.Random(7), 0
    for _ in range(KILLS):
        with subprocess.Popen(
            [sys.executable, "-P", "-c", CHILD, str(path)],
            env={"PYTHONPATH": str(Path.cwd())},
            stdout=subprocess.PIPE,
        ) as child:
            assert child.stdout
            said = b""
            wanted = chance.randrange(5, 120)  # reports until the kill: under way with the next commit, or near it
            while said.count(b"\n") < wanted and (more := child.stdout.readline()):
                said += more
            os.kill(child.pid, signal.SIGKILL)
            said += child.stdout.read()
        numbers = [int(line) for line in said.split(b"\n")[:-1]]
        assert len(numbers) >= wanted
        assert numbers[0] in (reported + 1, reported + 2)  # one commit may have stood unreported
        reported = numbers[-1]
        with Reader(path) as reader:
            last = reader.last()
        assert last is not None
        assert last.number in (reported, reported + 1)
    Expected([made(n) for n in range(1, last.number + 1)]).check(path)
