"""RTU frames over a socket: gateways that pass a serial line on byte by byte.

Lives here: `open_rtu_over_tcp`. Such a gateway adds no transaction number, so the guard and the quiet times are those
of a serial line; the link's `baud` is the one of the pair behind the gateway.
"""

from __future__ import annotations

from config.model import Link
from drivers.contract import DriverError
from drivers.modbus.line import End, LineDriver
from drivers.modbus.talk import RTU
from drivers.modbus.wires import open_socket, socket_trouble
from drivers.tap import Tap


def open_rtu_over_tcp(link: Link, tap: Tap | None = None) -> LineDriver:
    """The driver of a modbus-rtu-over-tcp link, not yet connected."""
    if not link.host:
        raise DriverError(f'Link {link.name}: modbus-rtu-over-tcp wants host = "name or address of the gateway".')
    host = link.host
    end = End(
        lambda closing: open_socket(link, host, closing),
        lambda error: socket_trouble(link, f"{host}:{link.port}", error),
    )
    return LineDriver(link, RTU, end, tap)
