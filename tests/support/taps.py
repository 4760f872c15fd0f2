"""Taps that stand before a peer, pass every byte on and record every request (`tests.support.wire`).

TcpTap: a proxy on a loopback port. Line: two pseudo-terminals joined like a pair of wires. Each is a thread of the
test process that works while a service under test runs in another.
"""

from __future__ import annotations

import os
import select
import socket
import threading
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType

from tests.support import wire


class _Pump:
    """A thread over a set of file descriptors, woken and ended through a pipe."""

    def __init__(self) -> None:
        self._wake_r, self._wake_w = os.pipe()
        self._readers: dict[int, Callable[[], None]] = {}
        self._ending = False
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        while not self._ending:
            ready, _, _ = select.select([self._wake_r, *self._readers], [], [])
            for fd in ready:
                if fd in self._readers:
                    self._readers[fd]()

    def __enter__(self):  # type: ignore[no-untyped-def]
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """End the thread and close everything it holds. Twice is once."""
        if self._ending:
            return
        self._ending = True
        os.write(self._wake_w, b".")
        self._thread.join(5)
        self._shut()
        os.close(self._wake_r)
        os.close(self._wake_w)

    def _shut(self) -> None:
        raise NotImplementedError


class TcpTap(_Pump):
    """Listens on `port` of 127.0.0.1 for the program under test and passes everything on to `target`."""

    def __init__(self, target: int) -> None:
        super().__init__()
        self._target = target
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._sockets: dict[int, socket.socket] = {self._server.fileno(): self._server}
        self._readers[self._server.fileno()] = self._accept
        self.requests = 0

    def _accept(self) -> None:
        near, _ = self._server.accept()
        try:
            far = socket.create_connection(("127.0.0.1", self._target), timeout=5)
        except OSError:
            near.close()
            return
        pending = bytearray()
        for a, b, up in ((near, far, True), (far, near, False)):
            a.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._sockets[a.fileno()] = a
            self._readers[a.fileno()] = lambda a=a, b=b, up=up: self._pass(a, b, up, pending)  # type: ignore[misc]

    def _pass(self, a: socket.socket, b: socket.socket, up: bool, pending: bytearray) -> None:
        data = b""
        with suppress(OSError):
            data = a.recv(65536)
        if data and up:
            pending += data
            self._note(pending)
        if data:
            with suppress(OSError):
                b.sendall(data)
            return
        for end in (a, b):
            self._readers.pop(end.fileno(), None)
            self._sockets.pop(end.fileno(), None)
            end.close()

    def _note(self, pending: bytearray) -> None:
        while len(pending) >= 8:
            size = 6 + int.from_bytes(pending[4:6], "big")
            if len(pending) < size:
                return
            wire.record("tcp", pending[6], bytes(pending[7:size]))
            self.requests += 1
            del pending[:size]

    def _shut(self) -> None:
        for s in self._sockets.values():
            s.close()


class Line(_Pump):
    """Two pseudo-terminals joined by a line: `host` is the path for the program under test, `device` for the peer.

    `silences`: seconds from the end of each answer passed to the host to the next request seen, never shorter than
    what the host kept. Requests are cut by checksum, and what never becomes a frame is recorded as unit -1.
    """

    def __init__(self) -> None:
        super().__init__()
        self._host, self._host_end = os.openpty()
        self._device, self._device_end = os.openpty()
        self.host, self.device = os.ttyname(self._host_end), os.ttyname(self._device_end)
        for end in (self._host_end, self._device_end):
            tty.setraw(end)
        self._pending = bytearray()
        self._answered = 0.0
        self.silences: list[float] = []
        self.requests = 0
        self._readers = {self._host: self._up, self._device: self._down}

    def _up(self) -> None:
        data = os.read(self._host, 4096)
        if not self._pending and self._answered:
            self.silences.append(time.monotonic() - self._answered)
            self._answered = 0.0
        self._pending += data
        self._note()
        os.write(self._device, data)

    def _note(self) -> None:
        shortest = 7 if self._pending[1:2] == b"\x2b" else 8  # 43/14 is a byte shorter than the reads
        if len(self._pending) >= shortest and crc(self._pending[:-2]) == bytes(self._pending[-2:]):
            wire.record("rtu", self._pending[0], bytes(self._pending[1:-2]))
            self.requests += 1
            self._pending.clear()
        elif len(self._pending) > 256:
            wire.record("rtu", -1, bytes(self._pending))
            self._pending.clear()

    def _down(self) -> None:
        data = os.read(self._device, 4096)
        self._answered = time.monotonic()  # before it is passed on: the host cannot have seen it earlier
        os.write(self._host, data)

    def _shut(self) -> None:
        if self._pending:
            wire.record("rtu", -1, bytes(self._pending))
        for fd in (self._host, self._host_end, self._device, self._device_end):
            with suppress(OSError):
                os.close(fd)


class AsciiLine(Line):
    """A line whose requests come in ASCII mode: `:` to CR LF, the LRC the last two digits before."""

    def _note(self) -> None:
        if not self._pending.endswith(b"\r\n") and len(self._pending) <= 513:
            return
        try:
            body = bytes.fromhex(self._pending[1:-2].decode("ascii"))
            sound = self._pending[:1] == b":" and sum(body) % 256 == 0
        except ValueError:
            body, sound = bytes(self._pending), False
        wire.record("ascii", body[0] if sound else -1, body[1:-1] if sound else bytes(self._pending))
        self.requests += sound
        self._pending.clear()


class Gateway(_Pump):
    """Passes the bytes of a serial line on to whoever connects to `port`, one at a time, as serial gateways do."""

    def __init__(self, device: str) -> None:
        super().__init__()
        self._line = os.open(device, os.O_RDWR | os.O_NOCTTY)
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._near: socket.socket | None = None
        self._readers = {self._server.fileno(): self._accept, self._line: self._down}

    def _accept(self) -> None:
        self._hang_up()
        self._near, _ = self._server.accept()
        self._near.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._readers[self._near.fileno()] = self._up

    def _hang_up(self) -> None:
        if self._near is not None:
            self._readers.pop(self._near.fileno(), None)
            self._near.close()
            self._near = None

    def _up(self) -> None:
        data = b""
        if self._near is not None:
            with suppress(OSError):
                data = self._near.recv(4096)
        if data:
            os.write(self._line, data)
        else:
            self._hang_up()

    def _down(self) -> None:
        data = os.read(self._line, 4096)
        if self._near is not None:
            with suppress(OSError):
                self._near.sendall(data)

    def _shut(self) -> None:
        self._hang_up()
        self._server.close()
        os.close(self._line)


def crc(frame: bytes | bytearray) -> bytes:
    """The checksum of an RTU frame as sent, written out bit by bit from the serial line specification, 6.2.2."""
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")
