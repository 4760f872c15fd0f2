"""What a request costs its link, in time on the wire.

Lives here: the cost model the planner minimises. Pure. May import: config, drivers.contract, drivers.modbus.timing.
Frames are counted byte by byte (MODBUS over Serial Line V1.02; Messaging on TCP/IP V1.0b). What the standards do not
give are the times to think: figures of ours below, common practice, no source; a module that says `answers_within`
is taken to use no more than that.
"""

from __future__ import annotations

from typing import Final

from config.model import Link, Module
from drivers.contract import Request
from drivers.modbus.timing import ascii_characters, characters, frames, silence

THINKS_S: Final = 0.005
"""How long a module takes to begin its answer, as a rule."""
ROUND_TRIP_S: Final = 0.001
"""What a request over TCP takes beside its bytes: two packets, two wake-ups."""
TCP_BAUD: Final = 10_000_000
"""Bits a second of the slowest network there is."""
_PACKET: Final = 54  # bytes of Ethernet, IP and TCP around each frame

TCP: Final = Link(name="any", kind="modbus-tcp")
"""The link that is reckoned with where none is given."""


def wire_s(link: Link, module: Module, request: Request) -> float:
    """Seconds one request and its good answer keep the link, silences, turnaround and thinking counted."""
    return wire_ns(link, module, request.function, request.count) / 1e9


def wire_ns(link: Link, module: Module, function: str, count: int) -> int:
    """As `wire_s`, in whole nanoseconds, so that costs add up exactly."""
    asked, told = frames(function, count)
    thinks = THINKS_S if module.answers_within is None else min(module.answers_within, THINKS_S)
    if link.kind == "modbus-tcp":
        # a header of 7 stands for unit (1) and checksum (2)
        seconds = ROUND_TRIP_S + (asked + told + 2 * (4 + _PACKET)) * 8 / TCP_BAUD + thinks
    elif link.kind == "modbus-ascii":
        seconds = ascii_characters(asked, link.baud) + ascii_characters(told, link.baud) + thinks
    else:
        seconds = characters(asked + told, link.baud) + 2 * silence(link.baud) + thinks
        if link.kind == "modbus-rtu-over-tcp":
            seconds += ROUND_TRIP_S + 2 * _PACKET * 8 / TCP_BAUD
    return round(1e9 * (seconds + link.pause))
