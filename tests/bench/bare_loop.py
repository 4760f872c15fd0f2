"""The bare loop of the `loop` benchmark: PORT,PORT,... STORE SYNCHRONOUS SECONDS. Prints processor seconds a scan.

Uses pymodbus, sqlite3 and nothing of the project.
"""

from __future__ import annotations

import asyncio
import sqlite3
import struct
import sys
import time
from collections.abc import Callable, Sequence

LIMITS = ((95.0, 1.0, True, 5.0), (85.0, 1.0, True, 5.0), (10.0, 1.0, False, 5.0), (5.0, 1.0, False, 5.0))


def pipeline() -> Callable[[float, Sequence[int]], list[float]]:
    """One module: 16 channels scaled, NAMUR NE 43, a first-order filter, four limits, a rate and a fault each."""
    cells: list[list[float | None]] = [[None] for _ in range(16)]
    alarms = [[[False, 0.0, False] for _ in range(6)] for _ in range(16)]

    def scan(t: float, registers: Sequence[int]) -> list[float]:
        out = []
        for k, count in enumerate(registers):
            ma = count * (20.0 / 65535)
            fault = 1.0 if ma <= 3.6 or ma >= 21.0 else -1.0
            rate = 0.0
            if fault < 0:
                v = (ma - 4.0) * 6.25
                was = cells[k][0]
                if was is None:
                    cells[k][0] = v
                else:
                    step = 0.3 * (v - was)
                    cells[k][0] = was + step
                    rate = abs(step) * 10
            y = cells[k][0] or 0.0
            for i, state in enumerate(alarms[k]):
                if i < 4:
                    limit, deadband, above, delay = LIMITS[i]
                    on = y > limit if above else y < limit
                    off = y <= limit - deadband if above else y >= limit + deadband
                else:
                    x, limit, delay = (rate, 50.0, 5.0) if i == 4 else (fault, 0.0, 2.0)
                    on, off = x > limit, x <= limit
                if on:
                    if not state[0]:
                        state[0], state[1] = True, t
                    if not state[2] and t - state[1] >= delay:
                        state[2] = True
                elif off and state[0]:
                    state[0] = state[2] = False
            out.append(y)
        return out

    return scan


async def main(ports: list[int], path: str, synchronous: str, seconds: int) -> float:
    from pymodbus.client import AsyncModbusTcpClient

    clients = [AsyncModbusTcpClient("127.0.0.1", port=p) for p in ports]
    for c in clients:
        await c.connect()
    pipes = [pipeline() for _ in ports]
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute(f"PRAGMA synchronous={synchronous}")
    db.execute("CREATE TABLE s(t INTEGER, dev INTEGER, d BLOB, PRIMARY KEY(t,dev)) WITHOUT ROWID")
    pack = struct.Struct("<16H").pack
    loop = asyncio.get_running_loop()

    async def one(due: float) -> None:
        answers = await asyncio.gather(*(c.read_input_registers(0, count=16, device_id=1) for c in clients))
        now = time.time_ns() // 1_000_000
        for i, a in enumerate(answers):
            pipes[i](due, a.registers)
        db.execute("BEGIN")
        db.executemany("INSERT INTO s VALUES(?,?,?)", [(now, i, pack(*a.registers)) for i, a in enumerate(answers)])
        db.execute("COMMIT")

    start = loop.time() + 0.2
    for k in range(2):
        await asyncio.sleep(max(0.0, start + k - loop.time()))
        await one(start + k)
    before = time.process_time()
    for k in range(2, seconds + 2):
        await asyncio.sleep(max(0.0, start + k - loop.time()))
        await one(start + k)
    used = (time.process_time() - before) / seconds
    for c in clients:
        c.close()
    return used


if __name__ == "__main__":
    print(asyncio.run(main([int(p) for p in sys.argv[1].split(",")], sys.argv[2], sys.argv[3], int(sys.argv[4]))))
