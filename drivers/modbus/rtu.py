"""Modbus RTU on a serial port.

Lives here: `open_rtu`. The thread is `drivers.modbus.line`, the guard `drivers.modbus.talk`.
"""

from __future__ import annotations

from config.model import Link
from drivers.contract import DriverError
from drivers.modbus.adapter import remark
from drivers.modbus.line import End, LineDriver
from drivers.modbus.talk import RTU
from drivers.modbus.wires import open_serial, serial_trouble
from drivers.tap import Tap


def open_rtu(link: Link, tap: Tap | None = None) -> LineDriver:
    """The driver of a modbus-rtu link, its port not yet opened."""
    if not link.device:
        raise DriverError(f'Link {link.name}: modbus-rtu wants device = "/dev/serial/by-id/...".')
    device = link.device
    end = End(
        lambda closing: open_serial(link, device),
        lambda error: serial_trouble(link, device, error),
        lambda: remark(link.name, device),
    )
    return LineDriver(link, RTU, end, tap)
