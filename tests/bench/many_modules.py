"""Either side of the `many` benchmark: SIDE PORT,PORT,... SECONDS. Prints one line of JSON.

service: the poller and the TCP driver alone, one link a module, nothing stored. bare: one client of the library a
module, all asked at each second. timers: as many bare timers, nothing asked. Lateness: from the due instant of the
grid to the moment a read begins.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
import tomllib

COUNT = 16


def ports_of(text: str) -> list[int]:
    return [int(p) for p in text.split(",")]


def told(cpu: float, late: list[float], polls: int, drift: float = 0.0) -> str:
    late.sort()
    at = {f"p{p}": round(late[min(len(late) - 1, int(len(late) * p / 100))] * 1e3, 3) for p in (50, 99)}
    return json.dumps({"cpu_us_a_poll": cpu / max(1, polls) * 1e6, "late_ms": at, "polls": polls, "drift_ms": drift})


async def service(ports: list[int], seconds: int) -> str:
    from config.model import Plant
    from daemon.acquire.poller import Polled, Poller
    from daemon.core.clock import SystemClock
    from drivers.contract import Answer, Driver, ReadPlan
    from drivers.registry import open_link

    text = '[plant]\nname = "Quillmarsh Creamery"\nzone = "UTC"\n'
    for k, port in enumerate(ports):
        text += f'[[link]]\nname = "l{k}"\nkind = "modbus-tcp"\nhost = "127.0.0.1"\nport = {port}\n'
        text += f'[[module]]\nname = "m{k}"\nlink = "l{k}"\nunit = 1\nevery = "1 s"\n[module.channels]\n'
        text += "".join(f'c{i} = {{ function = "input", address = {i} }}\n' for i in range(COUNT))
    plant = Plant.model_validate(tomllib.loads(text))
    clock = SystemClock()
    late: list[float] = []
    polls = 0
    dues: list[float] = []

    class Watched:
        """A driver that notes when each read begins."""

        def __init__(self, driver: Driver) -> None:
            self._driver = driver

        async def connect(self) -> str:
            return await self._driver.connect()

        async def read(self, plan: ReadPlan) -> Answer:
            late.append((clock.elapsed() - (poller.origin or 0.0)) % 1.0)
            return await self._driver.read(plan)

        async def aclose(self) -> None:
            await self._driver.aclose()

    async def taken(polled: Polled) -> None:
        nonlocal polls
        polls += sum(1 for s in polled.scans if s.counts[0] is not None)
        dues.append(polled.due)

    drivers = {x.name: Watched(open_link(x)) for x in plant.links}
    poller = Poller(plant, drivers, clock, taken)
    await poller.connect_all()
    run = asyncio.create_task(poller.run())
    await asyncio.sleep(2.5)
    late.clear()
    before, first, cpu = polls, len(dues), time.process_time()
    await asyncio.sleep(seconds)
    cpu = time.process_time() - cpu
    done = polls - before
    steps = dues[first:]
    drift = max(abs((b - steps[0]) - round(b - steps[0])) for b in steps) * 1e3
    out = told(cpu, late[:], done, round(drift, 6))
    await poller.stop()
    await run
    return out


async def bare(ports: list[int], seconds: int) -> str:
    from pymodbus.client import AsyncModbusTcpClient

    clients = [AsyncModbusTcpClient("127.0.0.1", port=p) for p in ports]
    for c in clients:
        await c.connect()
    loop = asyncio.get_running_loop()
    late: list[float] = []

    async def one(c: AsyncModbusTcpClient, due: float) -> None:
        late.append(loop.time() - due)
        await c.read_input_registers(0, count=COUNT, device_id=1)

    start = loop.time() + 0.2
    cpu = 0.0
    for k in range(seconds + 2):
        due = start + k
        await asyncio.sleep(due - loop.time())
        if k == 2:
            late.clear()
            cpu = time.process_time()
        await asyncio.gather(*(one(c, due) for c in clients))
    cpu = time.process_time() - cpu
    for c in clients:
        c.close()
    return told(cpu, late, len(ports) * seconds)


async def timers(ports: list[int], seconds: int) -> str:
    loop = asyncio.get_running_loop()
    late: list[float] = []
    start = loop.time() + 0.2

    async def one() -> None:
        for k in range(seconds):
            await asyncio.sleep(start + k - loop.time())
            late.append(loop.time() - start - k)

    cpu = time.process_time()
    await asyncio.gather(*(one() for _ in ports))
    return told(time.process_time() - cpu, late, len(ports) * seconds)


if __name__ == "__main__":
    side = {"service": service, "bare": bare, "timers": timers}[sys.argv[1]]
    print(asyncio.run(side(ports_of(sys.argv[2]), int(sys.argv[3]))))
