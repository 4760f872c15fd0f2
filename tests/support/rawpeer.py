"""Peers scripted byte by byte, for everything a sound Modbus peer would never do.

A peer holds a list of replies, one used up by each request (the last stays). A reply is a function of the request's
bytes to a list of steps: bytes to send, or DROP to close the connection. `say` sends at any time. Requests are
recorded for `tests.support.wire` as every tap does.
"""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

from tests.support import wire
from tests.support.taps import crc

DROP: Final = None
NAMES: Final = bytes((43,))  # the function whose request is a byte shorter than that of a read
Reply = Callable[[bytes], list[bytes | None]]


def silence(request: bytes) -> list[bytes | None]:
    return []


def adu(request: bytes, pdu: bytes, *, tid: int | None = None, protocol: int = 0, unit: int | None = None,
        length: int | None = None) -> bytes:  # fmt: skip
    """A Modbus TCP frame in answer to `request`, right unless told otherwise."""
    head = request[:2] if tid is None else tid.to_bytes(2, "big")
    size = 1 + len(pdu) if length is None else length
    return (
        head
        + protocol.to_bytes(2, "big")
        + size.to_bytes(2, "big")
        + bytes((request[6] if unit is None else unit,))
        + pdu
    )


def rtu(unit: int, pdu: bytes) -> bytes:
    """An RTU frame with its checksum."""
    frame = bytes((unit,)) + pdu
    return frame + crc(frame)


def ascii_frame(unit: int, pdu: bytes) -> bytes:
    """An ASCII frame with its LRC, written out from the serial line specification, 6.2.1."""
    body = bytes((unit,)) + pdu
    check = (0x100 - sum(body) % 0x100) % 0x100
    return b":" + b"".join(b"%02X" % byte for byte in (*body, check)) + b"\r\n"


def of_ascii(frame: bytes) -> bytes:
    """An ASCII request as the RTU request it stands for, b"" when it is none."""
    if frame[:1] != b":" or frame[-2:] != b"\r\n" or ascii_frame(*_parted(frame)) != frame:
        return b""
    return rtu(*_parted(frame))


def _parted(frame: bytes) -> tuple[int, bytes]:
    body = bytes(int(frame[i : i + 2], 16) for i in range(1, len(frame) - 4, 2))
    return body[0], body[1:]


class _Raw:
    def __init__(self, *replies: Reply) -> None:
        self.replies = list(replies)
        self.requests: list[bytes] = []
        self._asked = asyncio.Event()

    def _steps(self, request: bytes) -> list[bytes | None]:
        self.requests.append(request)
        self._asked.set()
        if not self.replies:
            return []
        return (self.replies.pop(0) if len(self.replies) > 1 else self.replies[0])(request)

    async def asked(self, times: int = 1) -> None:
        """Wait until that many requests have come."""
        while len(self.requests) < times:
            self._asked.clear()
            await self._asked.wait()


class RawTcp(_Raw):
    """A TCP peer on a loopback port."""

    port = 0
    connections = 0  # accepted so far

    async def __aenter__(self) -> RawTcp:
        self._writers: list[asyncio.StreamWriter] = []
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._server.close()
        for writer in self._writers:
            writer.close()
        await self._server.wait_closed()

    def say(self, data: bytes) -> None:
        self._writers[-1].write(data)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.append(writer)
        self.connections += 1
        with suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                head = await reader.readexactly(6)
                request = head + await reader.readexactly(int.from_bytes(head[4:6], "big"))
                wire.record("tcp", request[6], request[7:])
                for step in self._steps(request):
                    if step is DROP:
                        writer.close()
                        return
                    writer.write(step)
                    await writer.drain()
                    await asyncio.sleep(0)
        writer.close()


class RawRtu(_Raw):
    """A serial peer behind a pseudo-terminal; the program under test opens `path`, a link that survives a new pty."""

    transport = "rtu"

    def __init__(self, folder: Path, *replies: Reply) -> None:
        super().__init__(*replies)
        self.path = str(folder / "ttyRAW")
        self._fds: tuple[int, ...] = ()

    async def __aenter__(self) -> RawRtu:
        self.plug()
        return self

    async def __aexit__(self, *_: object) -> None:
        self.unplug()

    def plug(self) -> None:
        """A new pseudo-terminal under the old name."""
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self._fds = (self._master, slave)
        self._pending = b""
        Path(self.path).symlink_to(os.ttyname(slave))
        asyncio.get_running_loop().add_reader(self._master, self._got)

    def unplug(self) -> None:
        """The port is gone, as when an adapter is pulled out."""
        if self._fds:
            asyncio.get_running_loop().remove_reader(self._master)
            Path(self.path).unlink()
            for fd in self._fds:
                os.close(fd)
            self._fds = ()

    def say(self, data: bytes) -> None:
        os.write(self._master, data)

    def _got(self) -> None:
        self._pending += os.read(self._master, 4096)
        request = self._cut()
        if not request:
            return
        self._pending = b""
        sound = crc(request[:-2]) == request[-2:]
        wire.record(self.transport, request[0] if sound else -1, request[1:-2] if sound else request)
        for step in self._steps(request):
            if step is DROP:
                self.unplug()
                return
            self.say(step)

    def _cut(self) -> bytes:
        """The request that has come, in RTU form."""
        return self._pending if len(self._pending) >= (7 if self._pending[1:2] == NAMES else 8) else b""


class RawAscii(RawRtu):
    """A serial peer that is asked in ASCII mode; requests are told in RTU form. `say` says bytes as they are."""

    transport = "ascii"

    def _cut(self) -> bytes:
        return of_ascii(self._pending) if self._pending.endswith(b"\r\n") else b""


class RawGateway(_Raw):
    """A gateway on a loopback port that passes the bytes of a serial line on: RTU frames over TCP."""

    port = 0
    connections = 0  # accepted so far

    async def __aenter__(self) -> RawGateway:
        await self.plug()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.unplug()

    async def plug(self) -> None:
        """It listens, under the old port if it had one."""
        self._writers: list[asyncio.StreamWriter] = []
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def unplug(self) -> None:
        """It listens no more, and what was connected is not any longer."""
        self._server.close()
        for writer in self._writers:
            writer.close()
        await self._server.wait_closed()

    def say(self, data: bytes) -> None:
        self._writers[-1].write(data)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.append(writer)
        self.connections += 1
        with suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                request = await reader.readexactly(7)
                if request[1:2] != NAMES:
                    request += await reader.readexactly(1)
                sound = crc(request[:-2]) == request[-2:]
                wire.record("rtu-over-tcp", request[0] if sound else -1, request[1:-2] if sound else request)
                for step in self._steps(request):
                    if step is DROP:
                        writer.close()
                        return
                    writer.write(step)
                    await writer.drain()
                    await asyncio.sleep(0)
        writer.close()
