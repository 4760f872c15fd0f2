"""The two ends that bytes of a serial line come from: a serial port, or a socket to a gateway.

Lives here: opening, blocking reads in slices so that closing is noticed, and the sentences for what goes wrong.
May import: config, drivers.wire_time, drivers.modbus.adapter; pyserial when a port is opened.
"""

from __future__ import annotations

import errno
import select
import socket
import termios
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Final, Protocol

from config.model import Link
from drivers import wire_time

if TYPE_CHECKING:
    from serial import Serial

SLICE_S: Final = 0.02
"""The longest a blocked read goes without looking whether the link is being closed, s."""
_PARITY: Final = {"none": "N", "even": "E", "odd": "O"}


class NoDirection(OSError):
    """The port has no kernel that switches between sending and listening."""


class Wire(Protocol):
    """Bytes out and in. Every call may raise OSError when the wire is gone."""

    def take(self, least: int) -> bytes:
        """What comes within a slice; ends early when there are `least` bytes. May be less, or nothing."""
        ...

    def drain(self) -> bytes:
        """What is there already."""
        ...

    def send(self, data: bytes) -> None: ...
    def cancel(self) -> None: ...
    def close(self) -> None: ...


class SerialWire:
    """A serial port. `outward` and `inward` change each character on its way, as `bytes.translate` does."""

    def __init__(self, port: Serial, outward: bytes | None = None, inward: bytes | None = None) -> None:
        self._port, self._outward, self._inward = port, outward, inward

    def take(self, least: int) -> bytes:
        try:
            data = self._port.read(least)
        except (termios.error, TypeError) as error:  # TypeError: pyserial's own, when the port is closed under a read
            raise OSError(errno.EIO, str(error)) from error
        return data if self._inward is None else data.translate(self._inward)

    def drain(self) -> bytes:
        try:
            waiting = self._port.in_waiting
        except (termios.error, TypeError) as error:
            raise OSError(errno.EIO, str(error)) from error
        return self.take(waiting) if waiting else b""

    def send(self, data: bytes) -> None:
        try:
            self._port.write(data if self._outward is None else data.translate(self._outward))
        except (termios.error, TypeError) as error:
            raise OSError(errno.EIO, str(error)) from error

    def cancel(self) -> None:
        self._port.cancel_read()

    def close(self) -> None:
        with suppress(OSError):  # an unplugged port: it is gone anyway
            self._port.close()


def open_serial(
    link: Link, device: str, *, parity: str | None = None, outward: bytes | None = None, inward: bytes | None = None
) -> SerialWire:
    """The port of a link, opened for it alone. OSError or ValueError when it cannot be.

    `parity`: another than the link's, where the characters are made and checked by `outward` and `inward`.
    """
    from serial import Serial, SerialException

    try:
        port = Serial(
            device,
            baudrate=link.baud,
            parity=_PARITY[parity or link.parity],
            stopbits=link.stop_bits,
            timeout=SLICE_S,
            write_timeout=link.timeout_s + 1.0,
            exclusive=True,
        )
    except (SerialException, termios.error) as error:
        raise OSError(error.args[0] if isinstance(error.args[0], int) else errno.EIO, str(error)) from error
    if link.direction == "kernel":
        from serial.rs485 import RS485Settings

        try:
            port.rs485_mode = RS485Settings()
        except (OSError, ValueError, termios.error) as error:
            port.close()
            raise NoDirection(str(error)) from error
    return SerialWire(port, outward, inward)


class SocketWire:
    """A connection to a gateway that passes the bytes of a serial line on."""

    def __init__(self, connection: socket.socket) -> None:
        self._socket = connection

    def take(self, least: int) -> bytes:
        ready, _, _ = select.select((self._socket,), (), (), SLICE_S)
        return self._received() if ready else b""

    def drain(self) -> bytes:
        ready, _, _ = select.select((self._socket,), (), (), 0)
        return self._received() if ready else b""

    def send(self, data: bytes) -> None:
        self._socket.sendall(data)

    def cancel(self) -> None:
        pass  # a read ends by itself within a slice

    def close(self) -> None:
        self._socket.close()

    def _received(self) -> bytes:
        data = self._socket.recv(4096)
        if not data:
            raise ConnectionResetError(errno.ECONNRESET, "closed by the other end")
        return data


def open_socket(link: Link, host: str, closing: Callable[[], bool]) -> SocketWire:
    """A connection to the gateway of a link. OSError when there is none within the link's timeout."""
    trouble: OSError = TimeoutError(errno.ETIMEDOUT, "no answer")
    until = wire_time.now() + link.timeout_s
    for family, kind, protocol, _, address in socket.getaddrinfo(host, link.port, type=socket.SOCK_STREAM):
        connection = socket.socket(family, kind, protocol)
        try:
            _dial(connection, address, until, closing)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            # a gateway that lost its power says nothing: what it does not take within this ends the connection
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(3000 * max(link.timeout_s, 2.0)))
            # and one that nobody asks anything is asked by the kernel whether it is still there
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 30)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 10)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 3)
            connection.settimeout(link.timeout_s + 1.0)
            return SocketWire(connection)
        except OSError as error:
            connection.close()
            trouble = error
    raise trouble


def _dial(connection: socket.socket, address: object, until: float, closing: Callable[[], bool]) -> None:
    connection.setblocking(False)
    code = connection.connect_ex(address)  # type: ignore[arg-type]
    while code == errno.EINPROGRESS:
        _, ready, _ = select.select((), (connection,), (), SLICE_S)
        if ready:
            code = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        elif closing() or wire_time.now() >= until:
            raise TimeoutError(errno.ETIMEDOUT, "no answer")
    if code:
        raise OSError(code, errno.errorcode.get(code, str(code)))


def serial_trouble(link: Link, device: str, error: BaseException) -> str:
    """What is wrong with a serial port and what to do, in one sentence or two."""
    number = getattr(error, "errno", None)
    if isinstance(error, NoDirection):
        what = (
            "offers no direction control by the kernel. "
            'Write direction = "adapter" where the adapter switches by itself, or use a port whose driver does'
        )
    elif number == errno.ENOENT:
        what = "is not there. Check that the adapter is plugged in and the name (see /dev/serial/by-id)"
    elif number in (errno.EACCES, errno.EPERM):
        what = "may not be opened by this user. Give the user the group of the device (often dialout)"
    elif number in (errno.EAGAIN, errno.EBUSY):
        what = "is in use by another program. End that program or use another port"
    elif number == errno.EINVAL or isinstance(error, ValueError):
        what = f"takes no {link.baud} baud with parity {link.parity}. Check baud and parity"
    else:
        what = f"was lost ({error}). Check the adapter and its cable"
    return f"Link {link.name}: {device} {what}. It is tried again by itself."


def socket_trouble(link: Link, where: str, error: BaseException) -> str:
    """What is wrong with a connection and what to do."""
    number = getattr(error, "errno", None)
    if isinstance(error, TimeoutError):
        what, look = f"did not answer within {link.timeout_s:g} s", "Check power, cable and address of the gateway"
    elif number == errno.ECONNREFUSED:
        what, look = "refuses the connection", "Check the port, and whether the gateway takes another connection"
    elif number in (errno.ECONNRESET, errno.EPIPE):
        what, look = "closed the connection", "Check whether the gateway takes another connection"
    else:
        what = f"cannot be reached ({getattr(error, 'strerror', None) or error})"
        look = "Check the host name, cable and network"
    return f"Link {link.name}: {where} {what}. {look}. It is tried again by itself."
