"""Who a unit says it is: Modbus function 43/14, read device identification, basic objects only.

Asked by `scan` alone, after the reads, on a connection of its own that is closed at once. The request is a constant:
nothing of it is composed but the unit. Units that do not know the function refuse it, which is an answer. Source:
MODBUS Application Protocol Specification V1.1b3, section 6.21 (from memory; the answers of a server we did not write
are read in the tests). May import: config, drivers.
"""

from __future__ import annotations

import socket
from collections.abc import Mapping
from typing import Final

from pymodbus.framer.rtu import FramerRTU

from config.model import Link
from drivers import wire_time

REQUEST: Final = bytes((43, 14, 1, 0))  # basic stream access, from the first object
OBJECTS: Final[Mapping[int, str]] = {0: "vendor", 1: "product", 2: "revision"}
LONGEST: Final = 253


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


def identify(link: Link, unit: int) -> dict[str, str]:
    """What a unit on a TCP or RTU link says of itself; {} when it says nothing. Blocks for the link's timeout at most.

    Never raises for a bad bus. Other kinds of link are not asked.
    """
    try:
        if link.kind == "modbus-tcp":
            return names(_over_tcp(link, unit))
        if link.kind == "modbus-rtu":
            return names(_over_rtu(link, unit))
    except (OSError, ValueError):
        pass
    return {}


def _over_tcp(link: Link, unit: int) -> bytes:
    assert link.host is not None
    end = wire_time.now() + link.timeout_s
    with socket.create_connection((link.host, link.port), link.timeout_s) as s:
        s.sendall(bytes((0, 1, 0, 0, 0, 1 + len(REQUEST), unit)) + REQUEST)
        got = b""
        while len(got) < 7 or len(got) < 6 + int.from_bytes(got[4:6], "big"):
            s.settimeout(max(0.001, end - wire_time.now()))
            more = s.recv(512)
            if not more or len(got) > 7 + LONGEST:
                return b""
            got += more
    if got[:4] != bytes((0, 1, 0, 0)) or got[6] != unit:
        return b""
    return got[7 : 6 + int.from_bytes(got[4:6], "big")]


def _over_rtu(link: Link, unit: int) -> bytes:
    """The answer's length is not known beforehand: read until the line has been still for a while."""
    from serial import Serial

    parity = {"none": "N", "even": "E", "odd": "O"}[link.parity]
    frame = bytes((unit,)) + REQUEST
    frame += FramerRTU.compute_CRC(frame).to_bytes(2, "big")
    still = max(0.05, 40 * 11 / link.baud)
    with Serial(link.device, link.baud, parity=parity, stopbits=link.stop_bits, timeout=0.01, exclusive=True) as port:
        wire_time.pause_until(wire_time.now() + still)
        port.reset_input_buffer()
        port.write(frame)
        got, end = b"", wire_time.now() + link.timeout_s
        while wire_time.now() < end and len(got) < 3 + LONGEST:
            more = port.read(256)
            if more:
                got += more
                end = wire_time.now() + still
    if len(got) < 5 or got[0] != unit or FramerRTU.compute_CRC(got[:-2]).to_bytes(2, "big") != got[-2:]:
        return b""
    return got[1:-2]
