"""`start-up`: from process start to the first stored reading, and memory, beside a bare script in the same run.

The bare script does one poll with pymodbus and one SQLite insert, and nothing else. The service reports the group
numbers it has committed on a pipe; the first number is the first stored reading. Rounds take turns, medians count.
Goals: at most 5 times the bare script's time, at most 80 MB resident then and after an hour (the hour is left out with
`quick`).
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.service import Service, resident_mb
from tests.support.modbus_peers import tcp_server
from tests.support.plants import one_boiler

TIME_GOAL, MEMORY_GOAL_MB = 5.0, 80.0

BARE = """
import asyncio, sqlite3, sys, time
from pymodbus.client import AsyncModbusTcpClient
async def main(port, path):
    db = sqlite3.connect(path, isolation_level=None)
    db.execute('PRAGMA journal_mode=WAL'); db.execute('PRAGMA synchronous=FULL')
    db.execute('CREATE TABLE IF NOT EXISTS s(t INTEGER PRIMARY KEY, d BLOB)')
    c = AsyncModbusTcpClient('127.0.0.1', port=port)
    await c.connect()
    r = await c.read_input_registers(0, count=16, device_id=1)
    db.execute('INSERT OR REPLACE INTO s VALUES(?,?)', (time.time_ns()//1000000, bytes(16)))
    c.close()
asyncio.run(main(int(sys.argv[1]), sys.argv[2]))
"""


def main(quick: bool) -> dict[str, object]:
    """Median times in ms, their ratio, and resident memory in MB."""
    rounds = 7 if quick else 25
    bare: list[float] = []
    ours: list[float] = []
    memory: list[float] = []
    values = {"input": {0: 43515}, "discrete": {1: 1}}
    with tcp_server("libmodbus", values) as port, tempfile.TemporaryDirectory() as d:
        folder = Path(d)
        plant = folder / "plant.toml"
        plant.write_text(one_boiler(port, "1 s"))
        for n in range(rounds + 1):
            took = _bare(port, folder / f"bare{n}.db")
            first, resident = _service(plant, folder / f"ours{n}.db", 0.0)[:2]
            if n:  # the first round warms the file cache
                bare.append(took)
                ours.append(first)
                memory.append(resident)
        if not quick:
            print("staying for an hour", file=sys.stderr)
        late = None if quick else _service(plant, folder / "hour.db", 3600.0)[2]
    ratio = statistics.median(a / b for a, b in zip(ours, bare, strict=True))
    resident = statistics.median(memory)
    return {
        "passed": ratio <= TIME_GOAL and resident <= MEMORY_GOAL_MB and (late or 0.0) <= MEMORY_GOAL_MB,
        "bare_ms": round(statistics.median(bare) * 1e3, 1),
        "first_reading_ms": round(statistics.median(ours) * 1e3, 1),
        "ratio": round(ratio, 2),
        "resident_mb": round(resident, 1),
        "resident_after_an_hour_mb": None if late is None else round(late, 1),
    }


def _bare(port: int, path: Path) -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", BARE, str(port), str(path)], check=True)
    return time.perf_counter() - began


def _service(plant: Path, store: Path, stay_s: float) -> tuple[float, float, float]:
    """Seconds to the first stored reading, MB resident then, and MB after `stay_s` more."""
    with Service(plant, store) as service:
        service.wait_group()
        first = time.perf_counter() - service.began
        then = resident_mb(service.pid)
        end = time.monotonic() + stay_s
        while time.monotonic() < end:
            service.wait_group()
        return first, then, resident_mb(service.pid)
