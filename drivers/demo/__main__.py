"""`python -P -m drivers.demo`: the simulated boiler house as a process of its own, answering real Modbus."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import signal
import sys
from pathlib import Path

from drivers.demo.house import House
from drivers.demo.modules import UNITS, bits, registers, silent
from drivers.demo.scenario import DEFAULT_START_MS
from drivers.demo.server import serve
from drivers.wire_time import now

CATCH_UP_S = 0.25  # real seconds between steps when nobody asks


class Answering:
    """One module of the plant, as the server asks it."""

    def __init__(self, house: House, name: str) -> None:
        self._house, self._name = house, name

    def bits(self) -> list[int]:
        return bits(self._house, self._name)

    def registers(self) -> list[int]:
        return registers(self._house, self._name)

    def silent(self) -> bool:
        return silent(self._house, self._name)


def announce(where: str, line: str) -> None:
    """One JSON line to a file descriptor (a number), a file (written whole or not at all) or standard output."""
    if where.isdigit():
        os.write(int(where), line.encode() + b"\n")
    elif where:
        part = Path(where + ".part")
        part.write_text(line + "\n", "utf-8")
        part.replace(where)
    else:
        print(line, flush=True)


async def run(
    port: int, speed: float, start_ms: int, origin: float | None, seed: int, where: str, lifeline: bool
) -> None:
    """Serve until SIGTERM or SIGINT, or with `lifeline` until standard input ends."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    began = now() if origin is None else origin
    house = House(start_ms, seed)

    def bring_up() -> None:
        house.advance((now() - began) * speed)

    bring_up()  # a restart in a running demo catches up before it answers anything
    units = {link: {u.unit: Answering(house, u.name) for u in UNITS if u.link == link} for link in ("panel", "meters")}
    served = await serve(units["panel"], units["meters"], port=port, before=bring_up)
    announce(
        where,
        json.dumps(
            {
                "port": served.port,
                "pty": served.pty,
                "speed": speed,
                "start_ms": start_ms,
                "origin": began,
                "seed": seed,
            }
        ),
    )
    if lifeline:
        loop.add_reader(0, lambda: stop.set() if not os.read(0, 4096) else None)
    try:
        while not stop.is_set():
            bring_up()
            try:
                await asyncio.wait_for(stop.wait(), CATCH_UP_S)
            except TimeoutError:
                continue
    finally:
        if lifeline:
            loop.remove_reader(0)
        await served.aclose()


def main(argv: list[str] | None = None) -> int:
    """Exit 0 after a stop, 1 when the links cannot be opened, 2 for a wrong option."""
    p = argparse.ArgumentParser(
        prog="python -P -m drivers.demo",
        description="The simulated boiler house of the Quillmarsh Creamery, answering Modbus TCP and RTU.",
        epilog="Example: python -P -m drivers.demo --port 0 --speed 60",
    )
    p.add_argument("--port", type=int, default=0, help="TCP port on loopback; 0 takes a free one (default)")
    p.add_argument("--speed", type=float, default=60.0, help="plant seconds per real second (default 60)")
    p.add_argument("--start", type=int, default=DEFAULT_START_MS, help="plant time at the origin, ms UTC since 1970")
    p.add_argument("--origin", type=float, help="monotonic clock reading at which the plant stood at --start")
    p.add_argument("--seed", type=int, default=1, help="seed of every noise in the plant (default 1)")
    p.add_argument("--announce", default="", metavar="FILE|FD", help="where the JSON line with port and pty goes")
    p.add_argument("--lifeline", action="store_true", help="end when standard input ends, as when a parent dies")
    a = p.parse_args(argv)
    if not a.speed > 0:
        p.error(f"--speed wants a number above 0; found {a.speed:g}")
    if not 0 <= a.port <= 65535:
        p.error(f"--port wants 0..65535; found {a.port}")
    try:
        asyncio.run(run(a.port, a.speed, a.start, a.origin, a.seed, a.announce, a.lifeline))
    except OSError as e:
        print(
            f"The demo plant cannot open its links: {e}. Is port {a.port} in use? --port 0 takes a free one.",
            file=sys.stderr,
        )
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
