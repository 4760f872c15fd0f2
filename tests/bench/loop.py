"""`loop`: poll, pipeline and durable commit, 8 modules of 16 registers at 1 Hz, beside the least loop that does it.

The bare loop polls eight ports with pymodbus in one asyncio loop, runs each scan through scaling, a filter and six
limits a channel on plain floats, and stores the eight packed blobs in one SQLite transaction (WAL). It is measured
with synchronous FULL, as the service stores, and NORMAL. All poll the same compiled peers at the same time, so that
what else the machine does falls on all alike; processor time of each whole process over the same number of scans,
start-up left out. Goal: at most 2 times the bare loop that stores as durably.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

from tests.bench.service import Service, resident_mb
from tests.support.modbus_peers import tcp_server
from tests.support.plants import analogues

GOAL = 2.0
MODULES, REGISTERS = 8, 16
SIGNAL = 'range = "4..20 mA = 0..100 %"'
LIMITS = "high = 95\nlow = 5\ndeadband = 1"
BARE = Path(__file__).with_name("bare_loop.py")


def main(quick: bool) -> dict[str, object]:
    """Processor time a scan in microseconds of either side, and their ratio."""
    seconds, rounds = (10, 1) if quick else (60, 5)
    full: list[float] = []
    normal: list[float] = []
    ours: list[float] = []
    memory = 0.0
    with ExitStack() as stack, tempfile.TemporaryDirectory() as d:
        registers = {i: 30000 + 700 * i for i in range(REGISTERS)}
        values = {"input": registers, "holding": registers}
        ports = [stack.enter_context(tcp_server("libmodbus", values)) for _ in range(MODULES)]
        at_once = stack.enter_context(ThreadPoolExecutor(3))
        folder = Path(d)
        plant = folder / "plant.toml"
        text = analogues({f"m{k}": port for k, port in enumerate(ports)}, "1 s", REGISTERS)
        plant.write_text(text.replace(SIGNAL, f"{SIGNAL}\n{LIMITS}"))
        for n in range(rounds):
            of_full = at_once.submit(_bare, ports, folder / f"full{n}.db", "FULL", seconds)
            of_normal = at_once.submit(_bare, ports, folder / f"normal{n}.db", "NORMAL", seconds)
            used, memory = at_once.submit(_service, plant, folder / f"ours{n}.db", seconds).result()
            ours.append(used)
            full.append(of_full.result())
            normal.append(of_normal.result())
            print(f"round {n + 1}: service {used * 1e6:.0f} us, bare {full[-1] * 1e6:.0f} us", file=sys.stderr)
    ratio = statistics.median(a / b for a, b in zip(ours, full, strict=True))
    return {
        "passed": ratio <= GOAL,
        "bare_full_us_a_scan": round(statistics.median(full) * 1e6),
        "bare_normal_us_a_scan": round(statistics.median(normal) * 1e6),
        "service_us_a_scan": round(statistics.median(ours) * 1e6),
        "ratio": round(ratio, 2),
        "ratio_to_normal": round(statistics.median(a / b for a, b in zip(ours, normal, strict=True)), 2),
        "resident_mb": round(memory, 1),
        "seconds": seconds,
        "rounds": rounds,
    }


def _bare(ports: list[int], store: Path, synchronous: str, seconds: int) -> float:
    command = [sys.executable, str(BARE), ",".join(map(str, ports)), str(store), synchronous, str(seconds)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def _service(plant: Path, store: Path, seconds: int) -> tuple[float, float]:
    """Processor seconds a group over so many groups, after the first few; MB resident at the end."""
    with Service(plant, store) as service:
        for _ in range(3):
            service.wait_group()
        before = processor_s(service.pid)
        for _ in range(seconds):
            service.wait_group()
        return (processor_s(service.pid) - before) / seconds, resident_mb(service.pid)


def processor_s(pid: int) -> float:
    """User and system time of a process, all threads that live, in seconds; to the nanosecond where it is kept."""
    total = 0.0
    for task in Path(f"/proc/{pid}/task").iterdir():
        try:
            total += int((task / "schedstat").read_text().split()[0]) / 1e9
        except FileNotFoundError:  # a kernel without it counts ticks
            total += sum(map(int, (task / "stat").read_text().rpartition(")")[2].split()[11:13])) / os.sysconf(
                "SC_CLK_TCK"
            )
    return total
