"""A tap on a link: who listens is told of every frame sent and received.

Lives here: what drivers call and captures implement. May import: drivers.contract, pymodbus.
"""

from __future__ import annotations

from collections.abc import Callable

from pymodbus.pdu import ModbusPDU

from config.model import Link
from drivers.contract import Fault

Tap = Callable[[str, bytes], None]
"""Told ">" with what was sent, "<" with what came, and "!" with `failed` where a request gave no items."""
Hook = Callable[[Link], Tap]
"""Gives each link its tap."""


def failed(fault: Fault, unit: int, request: ModbusPDU) -> bytes:
    """What a tap is told of a request without items: the fault, then unit and PDU in hex."""
    pdu = bytes((unit, request.function_code)) + request.encode()
    return f"{fault.name} {pdu.hex(' ')}".encode("ascii")
