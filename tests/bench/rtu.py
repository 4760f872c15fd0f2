"""`rtu`: how near the serial driver comes to the wire limit on a paced RS-485 line, without cutting a silence.

The least time of a read is both frames at 11 bits a character, the silence of 3.5 characters before each (1.75 ms
above 19200 bit/s) and the time the module thinks. The line is an emulator that lets every byte take its time and does
not answer what comes before the silence is over; behind it a compiled Modbus module. The share is the least time over
the time measured. Beside it a bare blocking master that keeps the silence and does nothing else, in the same rounds.
Goals: at least 0.95 of the share that the bare master reaches, and of the limit itself up to 19200 bit/s, where the
machine's lateness is small beside a character; no silence cut, every read answered.
"""

from __future__ import annotations

import asyncio
import os
import select
import statistics
import sys
import termios
import time
import tty
from collections.abc import Callable

from config.bus import Channel, Link, Module
from drivers.modbus.plan import plan
from drivers.modbus.rtu import open_rtu
from tests.support.modbus_peers import rtu_server
from tests.support.paced_line import PacedLine
from tests.support.taps import crc

GOAL = 0.95
BAUDS = (9600, 19200, 115200)
REGISTERS = 16
TURNAROUND_MS = 5.0


def silence_s(baud: int) -> float:
    return 0.00175 if baud > 19200 else 3.5 * 11 / baud


def least_s(baud: int) -> float:
    """The least time of one read: request of 8 bytes, answer of 5 and two a register, two silences, turnaround."""
    return (8 + 5 + 2 * REGISTERS) * 11 / baud + 2 * silence_s(baud) + TURNAROUND_MS / 1e3


def main(quick: bool) -> dict[str, object]:
    """Share of the wire limit at each baud, the bare master's beside it, and how many silences were cut."""
    reads, rounds = (12, 1) if quick else (100, 5)
    shares: dict[int, list[float]] = {baud: [] for baud in BAUDS}
    bare: dict[int, list[float]] = {baud: [] for baud in BAUDS}
    cut = unanswered = 0
    with PacedLine() as line, rtu_server({"input": {i: 4000 + 7 * i for i in range(REGISTERS)}}, line.device):
        for n in range(rounds):
            for baud in BAUDS:
                line.set(baud, TURNAROUND_MS, strict=True)
                bare[baud].append(least_s(baud) / _bare(line.host, baud, reads))
                line.set(baud, TURNAROUND_MS, strict=True)
                line.counts()
                took, missed = asyncio.run(_ours(line.host, baud, reads))
                shares[baud].append(least_s(baud) / took)
                cut += line.counts()["gaps_below_t35"]
                unanswered += missed
                print(f"round {n + 1}, {baud}: {shares[baud][-1]:.3f}, bare {bare[baud][-1]:.3f}", file=sys.stderr)
    found = {baud: statistics.median(x) for baud, x in shares.items()}
    reached = {baud: statistics.median(a / b for a, b in zip(shares[baud], bare[baud], strict=True)) for baud in BAUDS}
    near = all(reached[baud] >= GOAL and (found[baud] >= GOAL or baud > 19200) for baud in BAUDS)
    return {
        "passed": near and not cut and not unanswered,
        "share_of_wire_limit": {str(baud): round(x, 3) for baud, x in found.items()},
        "bare_share": {str(baud): round(statistics.median(x), 3) for baud, x in bare.items()},
        "share_of_bare": {str(baud): round(x, 3) for baud, x in reached.items()},
        "silences_cut": cut,
        "unanswered": unanswered,
        "reads": reads * rounds * len(BAUDS),
    }


async def _ours(path: str, baud: int, reads: int) -> tuple[float, int]:
    """Seconds a read, and reads without an answer."""
    link = Link(name="line", kind="modbus-rtu", device=path, baud=baud, parity="none", timeout=1.0)
    channels = {f"c{i}": Channel(function="input", address=i) for i in range(REGISTERS)}
    module = plan(Module(name="m", link="line", unit=1, every=1.0, channels=channels))
    driver = open_rtu(link)
    trouble = await driver.connect()
    assert not trouble, trouble
    try:
        missed = sum([any((await driver.read(module)).faults) for _ in range(3)])
        began = time.perf_counter()
        missed += sum([any((await driver.read(module)).faults) for _ in range(reads)])
        return (time.perf_counter() - began) / reads, missed
    finally:
        await driver.aclose()


def _bare(path: str, baud: int, reads: int) -> float:
    """Seconds a read of a loop that writes, reads until the length is there and keeps the silence."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        tty.setraw(fd, termios.TCSANOW)
        frame = bytes((1, 4, 0, 0, 0, REGISTERS))
        read = _reader(fd, frame + crc(frame), 5 + 2 * REGISTERS, silence_s(baud))
        for _ in range(3):
            read()
        began = time.perf_counter()
        for _ in range(reads):
            read()
        return (time.perf_counter() - began) / reads
    finally:
        os.close(fd)


def _reader(fd: int, request: bytes, wanted: int, silent: float) -> Callable[[], None]:
    waiting = select.poll()
    waiting.register(fd, select.POLLIN)
    free = time.perf_counter() + silent

    def read() -> None:
        nonlocal free
        if (wait := free - time.perf_counter()) > 0:
            time.sleep(wait)
        os.write(fd, request)
        got = b""
        while len(got) < wanted:
            if not waiting.poll(3000):
                raise RuntimeError("the module behind the line does not answer")
            got += os.read(fd, 256)
        free = time.perf_counter() + silent
        assert got[-2:] == crc(got[:-2])

    return read
