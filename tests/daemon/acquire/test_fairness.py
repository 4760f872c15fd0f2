"""One dead module among three living ones, over the real RTU driver and a peer on a line.

Real time passes here, so nothing is judged by how long it took: what is judged is the order of the requests as they
came to the peer, and what each instant gave.
"""

from __future__ import annotations

import asyncio
import itertools
import tomllib
from pathlib import Path

from config.model import Plant
from daemon.acquire.poller import Polled, Poller
from daemon.core.clock import SystemClock
from drivers.contract import Fault
from drivers.registry import open_link
from tests.support.plants import HEAD
from tests.support.rawpeer import RawRtu, rtu

DEAD, LIVING = 4, (1, 2, 3)
ROUNDS = 5  # tries at the dead module before it returns


def plant(device: str, *more: int) -> Plant:
    text = f'{HEAD}[[link]]\nname = "pair"\nkind = "modbus-rtu"\ndevice = "{device}"\nbaud = 115200\nparity = "none"\n'
    text += 'timeout = "250 ms"\n'
    for unit in (*LIVING, DEAD, *more):
        text += f'[[module]]\nname = "m{unit}"\nlink = "pair"\nunit = {unit}\nevery = "1200 ms"\n'
        text += '[module.channels]\na = { function = "input", address = 0 }\n'
    return Plant.model_validate(tomllib.loads(text))


async def test_a_dead_module_costs_its_neighbours_no_reading_and_is_read_when_it_returns(tmp_path: Path) -> None:
    """A timeout and the rest after it fit into the interval, so it is tried at each instant."""
    alive: set[int] = set(LIVING)
    order: list[int] = []

    def answer(request: bytes) -> list[bytes | None]:
        order.append(request[0])
        return [rtu(request[0], bytes((4, 2, 0, request[0])))] if request[0] in alive else []

    seen: list[Polled] = []
    back = asyncio.Event()
    after: list[Polled] = []

    async def deliver(polled: Polled) -> None:
        seen.append(polled)
        if order.count(DEAD) >= ROUNDS and not back.is_set():
            alive.add(DEAD)
            back.set()
        elif back.is_set():
            after.append(polled)

    async with RawRtu(tmp_path, answer) as peer:
        site = plant(peer.path)
        driver = open_link(site.links[0])
        poller = Poller(site, {"pair": driver}, SystemClock(), deliver)
        running = asyncio.create_task(poller.run())
        async with asyncio.timeout(60):
            while len(after) < 2:  # noqa: ASYNC110
                await asyncio.sleep(0.02)
        await poller.stop()
        await running

    tries = [i for i, unit in enumerate(order) if unit == DEAD]
    between = [order[a + 1 : b] for a, b in itertools.pairwise(tries[:ROUNDS])]
    assert all(set(units) == set(LIVING) for units in between), "two tries in a row: a neighbour was left out"
    assert all(units.count(unit) == 1 for units in between for unit in LIVING)
    living = [scan for p in seen for scan in p.scans if scan.module < len(LIVING)]
    missed = [scan for scan in living if scan.counts[0] is None]
    assert missed == [], f"{len(missed)} of {len(living)} readings of living modules were lost"
    assert {scan.counts[0] for scan in living} == set(LIVING)
    while_dead = [s.faults[0] for p in seen[: ROUNDS - 1] for s in p.scans if s.module == len(LIVING)]
    assert set(while_dead) <= {Fault.NO_ANSWER, Fault.NOT_POLLED}
    returned = next(s for s in after[0].scans if s.module == len(LIVING))
    assert returned.counts == (DEAD,), "it was not read at the first instant after it returned"


async def test_between_two_tries_at_a_dead_module_its_neighbours_are_read_at_their_own_pace(tmp_path: Path) -> None:
    """An interval shorter than a timeout and the rest after it: every second instant leaves the dead module alone."""
    order: list[int] = []

    def answer(request: bytes) -> list[bytes | None]:
        order.append(request[0])
        return [rtu(request[0], bytes((4, 2, 0, request[0])))] if request[0] in LIVING else []

    seen: list[Polled] = []

    async def deliver(polled: Polled) -> None:
        seen.append(polled)

    async with RawRtu(tmp_path, answer) as peer:
        text = plant(peer.path).model_dump(by_alias=True)
        for module in text["module"]:
            module["every"] = 0.4
        site = Plant.model_validate(text)
        poller = Poller(site, {"pair": open_link(site.links[0])}, SystemClock(), deliver)
        running = asyncio.create_task(poller.run())
        async with asyncio.timeout(60):
            while order.count(DEAD) < 6:  # noqa: ASYNC110
                await asyncio.sleep(0.02)
        await poller.stop()
        await running
    tries = [i for i, unit in enumerate(order) if unit == DEAD]
    between = [order[a + 1 : b] for a, b in itertools.pairwise(tries)]
    # a try at the end of one instant, and none at the next: its late answer may still come
    assert all(units.count(unit) >= 2 for units in between[2:] for unit in LIVING), between
    dead = [s.faults[0] for p in seen for s in p.scans if s.module == len(LIVING)]
    assert dead.count(Fault.NOT_POLLED) >= dead.count(Fault.NO_ANSWER) > 0


async def test_two_dead_modules_are_both_tried_each_interval_and_both_found_when_they_return(tmp_path: Path) -> None:
    """Two timeouts fit behind the living ones: 2 x 0.35 s of 1.2 s."""
    other = 5
    alive: set[int] = set(LIVING)
    order: list[int] = []

    def answer(request: bytes) -> list[bytes | None]:
        order.append(request[0])
        return [rtu(request[0], bytes((4, 2, 0, request[0])))] if request[0] in alive else []

    seen: list[Polled] = []
    back: list[int] = []

    async def deliver(polled: Polled) -> None:
        seen.append(polled)
        if not back and min(order.count(DEAD), order.count(other)) >= 3:
            alive.update((DEAD, other))
            back.append(len(seen))

    async with RawRtu(tmp_path, answer) as peer:
        site = plant(peer.path, other)
        poller = Poller(site, {"pair": open_link(site.links[0])}, SystemClock(), deliver)
        running = asyncio.create_task(poller.run())
        async with asyncio.timeout(60):
            while not back or len(seen) < back[0] + 2:  # noqa: ASYNC110
                await asyncio.sleep(0.02)
        await poller.stop()
        await running
    assert all(s.counts[0] is not None for p in seen for s in p.scans if s.module < len(LIVING))
    while_dead = [u for u in order if u in (DEAD, other)][:6]
    assert sorted(while_dead[:2]) == sorted(while_dead[2:4]) == sorted(while_dead[4:]) == [DEAD, other]
    returned = seen[back[0]]
    assert [s.counts[0] for s in returned.scans] == [*LIVING, DEAD, other]
