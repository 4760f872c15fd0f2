"""`commit`: storing one group durably, beside the least that SQLite needs for it and a plain write with fdatasync.

A group of 8 modules of 16 registers. Ours goes through the service's writer: packing, checks, the hop into the
connection's thread, one transaction in the write-ahead log with synchronous FULL. The bare side inserts a blob of the
same length with its number in the same way on a connection of its own, and nothing else. Both take turns on the same
disk. How long a disk takes belongs to that disk: only the ratios travel, and the faster the disk the more the hop
counts. Goals: at most 2 times the bare time, and at most 3 times its processor time.

Then the budget of one commit beside a plain write, `budget.py`: at most 1.3 times its processor time and 2.3 times its
bytes, with the roll-ups of minutes and hours in it.
"""

from __future__ import annotations

import asyncio
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import apsw

from config.load import loads
from config.model import Plant
from daemon.core.outcome import GroupOutcome
from daemon.core.scan import Group, Scan
from daemon.store.packing import Layout
from daemon.store.writer import Writer
from tests.bench.budget import BYTES_GOAL, PROCESSOR_GOAL, measure
from tests.support.plants import analogues

WALL_GOAL, CPU_GOAL = 2.0, 3.0
MODULES, REGISTERS = 8, 16
Store = Callable[[int], Awaitable[None]]


def main(quick: bool) -> dict[str, object]:
    """Medians in microseconds of a commit, wall and processor, and the ratios."""
    commits, rounds = (100, 5) if quick else (400, 15)
    with tempfile.TemporaryDirectory() as d:
        found = asyncio.run(_measure(Path(d), commits, rounds))
        budgets = {e: measure(Path(d), e, 2000 if quick else 6000, 3 if quick else 5) for e in (10, 1)}
    wall = {k: statistics.median(w for w, _ in v) for k, v in found.items()}
    cpu = {k: statistics.median(c for _, c in v) for k, v in found.items()}
    wall_ratio = statistics.median(a[0] / b[0] for a, b in zip(found["writer"], found["bare"], strict=True))
    cpu_ratio = statistics.median(a[1] / b[1] for a, b in zip(found["writer"], found["bare"], strict=True))
    return {
        "passed": wall_ratio <= WALL_GOAL
        and cpu_ratio <= CPU_GOAL
        and all(b["processor_ratio"] <= PROCESSOR_GOAL and b["bytes_ratio"] <= BYTES_GOAL for b in budgets.values()),
        "wall_us": {k: round(v * 1e6) for k, v in wall.items()},
        "processor_us": {k: round(v * 1e6) for k, v in cpu.items()},
        "wall_ratio": round(wall_ratio, 2),
        "processor_ratio": round(cpu_ratio, 2),
        "commits": commits * rounds,
        "budget_10s": budgets[10],
        "budget_1s": budgets[1],
    }


async def _measure(folder: Path, commits: int, rounds: int) -> dict[str, list[tuple[float, float]]]:
    """Seconds a commit, (wall, processor), of each way in each round."""
    text = analogues({f"m{k}": 502 + k for k in range(MODULES)}, "1 s", REGISTERS)
    source = loads(text)
    writer = await Writer.open(folder / "ours.db", owner="bench")
    segment = await writer.open_segment("bench", 0, 0, "start")
    version = await writer.add_plant_version(source.text, source.sha256, 0)
    bare = apsw.Connection(str(folder / "bare.db"))
    bare.pragma("journal_mode", "wal")
    bare.pragma("synchronous", 2)
    bare.execute("CREATE TABLE s (number INTEGER PRIMARY KEY, body BLOB)")
    plain = os.open(folder / "plain.bin", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    async def ours(n: int) -> None:
        group = _group(n, segment, version)
        verdicts = tuple(s.faults for s in group.scans)
        await writer.commit(source.plant, group, GroupOutcome(n, verdicts))

    async def least(n: int) -> None:
        bare.execute("BEGIN IMMEDIATE; INSERT INTO s VALUES (?, ?); COMMIT", (n, bodies[n % len(bodies)]))

    async def written(n: int) -> None:
        os.write(plain, bodies[n % len(bodies)])
        os.fdatasync(plain)

    bodies = _bodies(source.plant, segment, version)
    ways: dict[str, Store] = {"writer": ours, "bare": least, "plain": written}
    found: dict[str, list[tuple[float, float]]] = {k: [] for k in ways}
    try:
        number = 0
        for n in range(rounds + 1):
            for name, way in ways.items():
                took = await _timed(way, number, commits)
                if n:  # the first round warms caches
                    found[name].append(took)
            number += commits
            print(f"round {n}: {number} commits each", file=sys.stderr)
    finally:
        await writer.aclose()
        bare.close()
        os.close(plain)
    return found


async def _timed(way: Store, first: int, commits: int) -> tuple[float, float]:
    wall, cpu = time.perf_counter(), time.process_time()
    for n in range(first, first + commits):
        await way(n)
    return (time.perf_counter() - wall) / commits, (time.process_time() - cpu) / commits


def _group(n: int, segment: int, version: int) -> Group:
    good = (0,) * REGISTERS
    counts = tuple((30000 + 700 * i + n) % 65536 for i in range(REGISTERS))
    scans = tuple(Scan(m, counts, good, 3) for m in range(MODULES))
    return Group(n, 1000 * n, 1000 * n, segment, version, scans)


def _bodies(plant: Plant, segment: int, version: int) -> list[bytes]:
    """Blobs of the length that the writer stores."""
    layout = Layout.of(plant)
    groups = [_group(n, segment, version) for n in range(64)]
    return [layout.pack(g.scans, tuple(s.faults for s in g.scans)) for g in groups]
