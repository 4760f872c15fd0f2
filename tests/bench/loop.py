"""`loop`: poll, pipeline and durable commit, 8 modules of 16 registers at 1 Hz, beside the least loop that does it.

The bare loop polls eight ports with pymodbus in one asyncio loop, runs each scan through scaling, a filter and six
limits a channel on plain floats, and stores the eight packed blobs in one SQLite transaction (WAL). It is measured
with synchronous FULL, as the service stores, and NORMAL. Both sides poll the same compiled peer, in turns; processor
time of the whole process over the same number of seconds, start-up left out. Goal: at most 2 times the bare loop.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

from tests.bench.start_up import resident_mb
from tests.support.modbus_peers import tcp_peer
from tests.support.plants import analogues

GOAL = 2.0
MODULES, REGISTERS = 8, 16
SIGNAL = 'range = "4..20 mA = 0..100 %"'
BARE = Path(__file__).with_name("bare_loop.py")


def main(quick: bool) -> dict[str, object]:
    """Processor time a scan in microseconds of either side, and their ratio."""
    seconds, rounds = (8, 1) if quick else (30, 5)
    full: list[float] = []
    normal: list[float] = []
    ours: list[float] = []
    memory = 0.0
    with ExitStack() as stack, tempfile.TemporaryDirectory() as d:
        registers = {i: 30000 + 700 * i for i in range(REGISTERS)}
        values = {"input": registers, "holding": registers}
        ports = [stack.enter_context(tcp_peer("libmodbus", values)).port for _ in range(MODULES)]
        folder = Path(d)
        plant = folder / "plant.toml"
        text = analogues({f"m{k}": port for k, port in enumerate(ports)}, "1 s", REGISTERS)
        plant.write_text(
            text.replace(SIGNAL, f"{SIGNAL}\nhigh = 95\nlow = 5\ndeadband = 1")
        )  # limits of its own, as bare
        for n in range(rounds):
            full.append(_bare(ports, folder / f"full{n}.db", "FULL", seconds))
            used, memory = _service(plant, folder / f"ours{n}.db", seconds)
            ours.append(used)
            normal.append(_bare(ports, folder / f"normal{n}.db", "NORMAL", seconds))
    ratio = statistics.median(a / b for a, b in zip(ours, full, strict=True))
    return {
        "passed": ratio <= GOAL,
        "bare_full_us_a_scan": round(statistics.median(full) * 1e6),
        "bare_normal_us_a_scan": round(statistics.median(normal) * 1e6),
        "service_us_a_scan": round(statistics.median(ours) * 1e6),
        "ratio": round(ratio, 2),
        "resident_mb": round(memory, 1),
        "seconds": seconds,
        "rounds": rounds,
    }


def _bare(ports: list[int], store: Path, synchronous: str, seconds: int) -> float:
    command = [sys.executable, str(BARE), ",".join(map(str, ports)), str(store), synchronous, str(seconds)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def _service(plant: Path, store: Path, seconds: int) -> tuple[float, float]:
    """Processor seconds a group over so many groups, after the first few; MB resident at the end."""
    read, write = os.pipe()
    command = [
        sys.executable,
        "-P",
        "-m",
        "daemon",
        "run",
        str(plant),
        "--store",
        str(store),
        "--ledger-fd",
        str(write),
    ]
    with subprocess.Popen(command, pass_fds=(write,), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as service:
        os.close(write)
        try:
            with os.fdopen(read, "rb") as ledger:
                for _ in range(3):
                    ledger.readline()
                before = processor_s(service.pid)
                for _ in range(seconds):
                    if not ledger.readline():
                        raise RuntimeError("the service ended")
                return (processor_s(service.pid) - before) / seconds, resident_mb(service.pid)
        finally:
            service.terminate()
            service.wait(20)


def processor_s(pid: int) -> float:
    """User and system time of a process, all threads, in seconds, to the nanosecond where the kernel tells it."""
    total = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        total += int((task / "schedstat").read_text().split()[0])
    return total / 1e9
