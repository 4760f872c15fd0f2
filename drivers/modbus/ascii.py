"""Modbus ASCII on a serial port.

Lives here: `open_ascii`, and the characters of ASCII mode: seven bits and a parity bit. A port that sends eight bits
and no parity sends the very same line states, so the eighth bit is set and checked here: every character with a wrong
parity bit is taken out, which the kernel as a rule does not do, and the one-byte LRC needs the help. Without parity a
character has seven bits and two stops, or eight bits and one, whose eighth is left out.
"""

from __future__ import annotations

from typing import Final

from config.model import Link
from drivers.contract import DriverError
from drivers.modbus.adapter import remark
from drivers.modbus.line import End, LineDriver
from drivers.modbus.talk import ASCII
from drivers.modbus.wires import SerialWire, open_serial, serial_trouble
from drivers.tap import Tap

SPOILT: Final = 0
"""What a character with a wrong parity bit is read as; it is in no frame."""


def outward(link: Link) -> bytes:
    """For each character of seven bits the eight that are sent."""
    if link.parity == "none":
        mark = 0x80 if link.stop_bits == 2 else 0  # the first of two stop bits
        return bytes(c & 0x7F | mark for c in range(256))
    odd = link.parity == "odd"
    return bytes(c & 0x7F | (0x80 if ((c & 0x7F).bit_count() & 1) != odd else 0) for c in range(256))


def inward(link: Link) -> bytes:
    """For each eight bits received the character, SPOILT where the parity bit is wrong."""
    if link.parity == "none":
        return bytes(c & 0x7F for c in range(256))
    wanted = 1 if link.parity == "odd" else 0
    return bytes(c & 0x7F if c.bit_count() & 1 == wanted else SPOILT for c in range(256))


def open_seven(link: Link, device: str) -> SerialWire:
    """The port of a link whose characters have seven bits. OSError or ValueError as `open_serial`."""
    one_stop = link.model_copy(update={"stop_bits": 1}) if link.parity == "none" else link
    return open_serial(one_stop, device, parity="none", outward=outward(link), inward=inward(link))


def open_characters(link: Link, device: str) -> SerialWire:
    """The port of a text link: eight bits, or seven."""
    return open_seven(link, device) if link.data_bits == 7 else open_serial(link, device)


def open_ascii(link: Link, tap: Tap | None = None) -> LineDriver:
    """The driver of a modbus-ascii link, its port not yet opened."""
    if not link.device:
        raise DriverError(f'Link {link.name}: modbus-ascii wants device = "/dev/serial/by-id/...".')
    device = link.device

    end = End(
        lambda closing: open_seven(link, device),
        lambda error: serial_trouble(link, device, error),
        lambda: remark(link.name, device),
    )
    return LineDriver(link, ASCII, end, tap)
