"""`tcp`: processor time of one read of 16 registers over Modbus TCP, beside the bare client of the same library.

Our driver plans, checks and decodes 16 channels with a reason each; the bare side calls the library's asynchronous
client and looks at the registers. Both read the same compiled peer on the loopback, in turns in one process; processor
time is that of the process alone, garbage collection included. Goal: at most 1.2 times.
"""

from __future__ import annotations

import asyncio
import gc
import statistics
import time
from collections.abc import Awaitable, Callable

from pymodbus.client import AsyncModbusTcpClient

from config.bus import Channel, Link, Module
from drivers.modbus.plan import plan
from drivers.modbus.tcp import open_tcp
from tests.support.modbus_peers import tcp_server

GOAL = 1.2
REGISTERS = 16
Read = Callable[[], Awaitable[object]]


def main(quick: bool) -> dict[str, object]:
    """Microseconds of processor a read of either, and the median of the ratios of the rounds."""
    reads, rounds = (1500, 5) if quick else (5000, 15)
    with tcp_server("libmodbus", {"input": {i: 30000 + 700 * i for i in range(REGISTERS)}}) as port:
        ours, bare = asyncio.run(_measure(port, reads, rounds))
    ratios = [a / b for a, b in zip(ours, bare, strict=True)]
    ratio = statistics.median(ratios)
    return {
        "passed": ratio <= GOAL,
        "driver_us_a_read": round(statistics.median(ours) * 1e6, 1),
        "bare_us_a_read": round(statistics.median(bare) * 1e6, 1),
        "ratio": round(ratio, 2),
        "ratios_from_to": [round(min(ratios), 2), round(max(ratios), 2)],
        "goal": GOAL,
        "reads": reads * rounds,
    }


async def _measure(port: int, reads: int, rounds: int) -> tuple[list[float], list[float]]:
    client = AsyncModbusTcpClient("127.0.0.1", port=port)
    await client.connect()
    link = Link(name="panel", kind="modbus-tcp", host="127.0.0.1", port=port, timeout=1.0)
    channels = {f"c{i}": Channel(function="input", address=i) for i in range(REGISTERS)}
    module = plan(Module(name="m", link="panel", unit=1, every=1.0, channels=channels))
    driver = open_tcp(link)
    trouble = await driver.connect()
    assert not trouble, trouble

    async def bare_read() -> None:
        found = await client.read_input_registers(0, count=REGISTERS, device_id=1)
        assert len(found.registers) == REGISTERS

    async def our_read() -> None:
        found = await driver.read(module)
        assert not any(found.faults)

    ours: list[float] = []
    bare: list[float] = []
    try:
        for read in (bare_read, our_read):
            await _processor_s(read, reads // 5)
        for n in range(rounds):
            for mine in (False, True) if n % 2 else (True, False):
                took = await _processor_s(our_read if mine else bare_read, reads)
                (ours if mine else bare).append(took)
    finally:
        await driver.aclose()
        client.close()
    return ours, bare


async def _processor_s(read: Read, reads: int) -> float:
    gc.collect()
    began = time.process_time()
    for _ in range(reads):
        await read()
    return (time.process_time() - began) / reads
