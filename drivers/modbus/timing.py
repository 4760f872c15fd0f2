"""How long characters, silences and answers last (MODBUS over Serial Line V1.02, pages 10 to 16).

Lives here: the arithmetic of the wire. Pure; reads no clock. May import: config, drivers.contract.
"""

from __future__ import annotations

from typing import Final, Protocol

from config.model import Link
from drivers.contract import Request

BITS: Final = 11  # start, 8 data, parity or a second stop, stop; counted so for every setting
ASCII_BITS: Final = 10  # start, 7 data, parity or a second stop, stop
LUMP_S: Final = 0.05
"""What adapters, gateways and a busy machine add: adapters hand bytes over in lumps of 16 ms (common practice)."""


class Answering(Protocol):
    """A module, or its `ReadPlan`: whatever says how long the module may take to answer."""

    @property
    def answers_within(self) -> float | None: ...


def characters(count: float, baud: int) -> float:
    """Seconds that `count` characters take at `baud` bit/s."""
    return count * BITS / baud


def ascii_characters(rtu_bytes: int, baud: int) -> float:
    """Seconds that a frame of `rtu_bytes` takes in ASCII mode: two characters a byte, one byte of check, `:` CR LF."""
    return (2 * (rtu_bytes - 1) + 3) * ASCII_BITS / baud


def silence(baud: int) -> float:
    """Seconds of silence between frames: 3.5 characters, fixed at 1.75 ms above 19200 bit/s."""
    return 0.00175 if baud > 19200 else characters(3.5, baud)


def frames(function: str, count: int) -> tuple[int, int]:
    """Bytes of the RTU frames of a request and of its good answer."""
    return 8, 5 + ((count + 7) // 8 if function in ("coil", "discrete") else 2 * count)


def frames_s(link: Link, request: Request) -> float:
    """Seconds that request and good answer take on the pair, with the silence before each; next to none over TCP."""
    asked, told = frames(request.function, request.count)
    if link.kind == "modbus-tcp":
        return 0.0
    if link.kind == "modbus-ascii":
        return ascii_characters(asked, link.baud) + ascii_characters(told, link.baud)
    return characters(asked + told, link.baud) + 2 * silence(link.baud)


def worst_answer(link: Link, module: Answering) -> float:
    """The longest s from the end of a request to the beginning of its answer: as long the line is left quiet after."""
    return link.waits(module.answers_within)


def answer_timeout(link: Link, module: Answering, request: Request) -> float:
    """Seconds from handing a request over until its whole answer must be there.

    Both frames at the baud of the line, the module's worst answer time (as the link's `timeout` says, else the
    module's `answers_within`, else 1 s), and what lies between wire and program.
    """
    return frames_s(link, request) + worst_answer(link, module) + LUMP_S
