"""Who a unit says it is: Modbus function 43/14, read device identification, basic objects only.

Lives here: the one request, which is a constant but for the unit, and the strict reading of its answer. Asked by `scan`
alone, after the reads, over the link's own driver. Units that do not know the function refuse it, which is an answer.
Source: MODBUS Application Protocol Specification V1.1b3, section 6.21 (from memory; the answers of a server we did not
write are read in the tests). Pure. May import: drivers.contract, drivers.modbus, pymodbus.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pymodbus.pdu import ModbusPDU

from drivers.contract import Driver, Identifies
from drivers.modbus import guard, guard_ascii

REQUEST: Final = bytes((43, 14, 1, 0))  # basic stream access, from the first object
OBJECTS: Final[Mapping[int, str]] = {0: "vendor", 1: "product", 2: "revision"}
LONGEST: Final = 253
_REFUSED: Final = REQUEST[0] | 0x80


class Identification(ModbusPDU):
    """The request as pymodbus sends it."""

    function_code = REQUEST[0]

    def encode(self) -> bytes:
        return REQUEST[1:]


async def identify(driver: Driver, unit: int) -> dict[str, str]:
    """What a unit on a link says of itself; {} when it says nothing, or the link has nobody who could be asked."""
    return names(await driver.identify(unit)) if isinstance(driver, Identifies) else {}


def names(pdu: bytes) -> dict[str, str]:
    """The objects in an answer, function code first; {} for a refusal or anything that is not whole."""
    if len(pdu) < 7 or pdu[:2] != REQUEST[:2]:
        return {}
    out: dict[str, str] = {}
    at = 7
    for _ in range(pdu[6]):
        if at + 2 > len(pdu) or at + 2 + pdu[at + 1] > len(pdu):
            return {}
        text = pdu[at + 2 : at + 2 + pdu[at + 1]].decode("ascii", "replace")
        if pdu[at] in OBJECTS:
            out[OBJECTS[pdu[at]]] = "".join(c if c.isprintable() else "?" for c in text).strip()
        at += 2 + pdu[at + 1]
    return out


def size(pdu: bytes) -> int:
    """How long the answer is that begins with these bytes: 0 while that is not known, -1 when they begin none."""
    if pdu[:1] == bytes((_REFUSED,)):
        return 2
    if pdu[: len(REQUEST[:2])] != REQUEST[: min(2, len(pdu))]:
        return -1
    if len(pdu) < 7:
        return 0
    at = 7
    for _ in range(pdu[6]):
        if at + 2 > len(pdu):
            return 0 if at + 2 <= LONGEST else -1
        at += 2 + pdu[at + 1]
    return at if at <= LONGEST else -1


def on_rtu(data: bytes, unit: int, request: bytes) -> bytes:
    """The answer of `unit` among what an RTU line delivered since `request` was sent, b"" while there is none."""
    start = 0
    while start < len(data):
        if data.startswith(request, start):  # an adapter that echoes
            start += len(request)
            continue
        if data[start] == unit:
            pdu = data[start + 1 :]
            end = start + 3 + size(pdu)
            if size(pdu) > 0 and end <= len(data) and guard.checked(data[start:end]):
                return data[start + 1 : end - 2]
        start += 1
    return b""


def on_ascii(data: bytes, unit: int, request: bytes) -> bytes:
    """The same of a line in ASCII mode."""
    for text in guard_ascii.frames(data):
        body = guard_ascii.body_of(text)
        if text != request[1:-2] and body and body[0] == unit and size(body[1:]) == len(body) - 1:
            return body[1:]
    return b""
