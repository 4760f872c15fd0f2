"""The modules on the wire: Modbus TCP on loopback and Modbus RTU on a pseudo-terminal.

Read functions (1..4) and device identification (43/14) only; every other function is refused with exception 1. Counts
are taken at the instant of a request. Follows the Modbus application protocol V1.1b3, the TCP guide V1.0b and the
serial line guide V1.02. The own loop keeps this an independent peer: it shares no code with `drivers.modbus`.
"""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Protocol

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3
NO_TARGET: Final = 11  # a gateway has no such module
MOST_BITS: Final = 2000
MOST_REGISTERS: Final = 125
RTU_SILENCE_S: Final = 0.05  # bytes left over after so long are no request; generous, a pseudo-terminal has no timing

IDENTITY: Final[Mapping[int, bytes]] = {0: b"Quillmarsh Creamery", 1: b"simulated input module", 2: b"1.0"}


class Module(Protocol):
    """What answers under a unit number."""

    def bits(self) -> list[int]: ...  # discrete inputs now, from address 0
    def registers(self) -> list[int]: ...  # input registers now, from address 0
    def silent(self) -> bool: ...  # no answer at all


def answer(pdu: bytes, module: Module) -> bytes:
    """The response PDU to a request PDU: data, or an exception."""
    function = pdu[0]
    if function == 43:
        return _identity(pdu)
    if function not in (1, 2, 3, 4):
        return _refuse(function, ILLEGAL_FUNCTION)
    if len(pdu) != 5:
        return _refuse(function, ILLEGAL_VALUE)
    address, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    if not 1 <= count <= (MOST_BITS if function < 3 else MOST_REGISTERS):
        return _refuse(function, ILLEGAL_VALUE)
    # these modules have inputs only: no coils, no holding registers
    table = module.bits() if function == 2 else module.registers() if function == 4 else []
    if address + count > len(table):
        return _refuse(function, ILLEGAL_ADDRESS)
    taken = table[address : address + count]
    if function == 2:
        packed = sum(bit << i for i, bit in enumerate(taken)).to_bytes((count + 7) // 8, "little")
    else:
        packed = b"".join(word.to_bytes(2, "big") for word in taken)
    return bytes((function, len(packed))) + packed


def _refuse(function: int, code: int) -> bytes:
    return bytes((function | 0x80, code))


def _identity(pdu: bytes) -> bytes:
    """Function 43/14: read device identification, basic objects, as a stream (1) or one alone (4)."""
    if len(pdu) < 2 or pdu[1] != 14:
        return _refuse(43, ILLEGAL_FUNCTION)
    if len(pdu) != 4 or pdu[2] not in (1, 2, 3, 4):
        return _refuse(43, ILLEGAL_VALUE)
    code, first = pdu[2], pdu[3]
    if code == 4:
        if first not in IDENTITY:
            return _refuse(43, ILLEGAL_ADDRESS)
        wanted = [first]
    else:
        wanted = [n for n in IDENTITY if n >= (first if first in IDENTITY else 0)]
    objects = b"".join(bytes((n, len(IDENTITY[n]))) + IDENTITY[n] for n in wanted)
    # conformity 0x81: basic objects, stream and individual access; no more follows
    return bytes((43, 14, code, 0x81, 0, 0, len(wanted))) + objects


class TcpServer(asyncio.Protocol):
    """One connection of a client. Requests may come in pieces or several at once; they are answered in order."""

    def __init__(self, units: Mapping[int, Module], before: Callable[[], None]) -> None:
        self._units, self._before, self._got = units, before, b""
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        assert self._transport is not None
        self._got += data
        while len(self._got) >= 8:
            protocol, length = int.from_bytes(self._got[2:4], "big"), int.from_bytes(self._got[4:6], "big")
            if protocol != 0 or not 2 <= length <= 254:
                self._transport.close()  # not Modbus: there is no telling where the next frame begins
                return
            if len(self._got) < 6 + length:
                return
            frame, self._got = self._got[: 6 + length], self._got[6 + length :]
            unit, pdu = frame[6], frame[7:]
            module = self._units.get(unit)
            self._before()
            if module is not None and module.silent():
                continue
            out = _refuse(pdu[0], NO_TARGET) if module is None else answer(pdu, module)
            self._transport.write(frame[:4] + (len(out) + 1).to_bytes(2, "big") + frame[6:7] + out)


def crc(data: bytes) -> bytes:
    """CRC-16 of the serial line guide, low byte first as sent."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")


def request_size(got: bytes) -> int:
    """How many bytes the RTU request beginning here takes; 0 when that cannot be said (yet)."""
    if len(got) < 2:
        return 0
    function = got[1]
    if function in (15, 16):
        return 9 + got[6] if len(got) > 6 else 0
    return {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 7: 4, 8: 8, 11: 4, 12: 4, 17: 4, 22: 10, 24: 6, 43: 7}.get(function, 0)


class RtuServer:
    """A pseudo-terminal whose other end is `path`. Other units' requests and noise are met with silence."""

    def __init__(self, units: Mapping[int, Module], before: Callable[[], None]) -> None:
        self._units, self._before, self._got = units, before, b""
        # the far end is kept open here too: without it a client that closes would hang up the line
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.path = os.ttyname(self._far)
        self._loop = asyncio.get_running_loop()
        self._quiet: asyncio.TimerHandle | None = None
        self._loop.add_reader(self._near, self._read)

    def _read(self) -> None:
        try:
            self._got += os.read(self._near, 4096)
        except (BlockingIOError, OSError):
            return
        if self._quiet:
            self._quiet.cancel()
        while (size := request_size(self._got)) and len(self._got) >= size:
            frame, self._got = self._got[:size], self._got[size:]
            if crc(frame[:-2]) != frame[-2:]:
                self._got = b""  # out of step: whatever follows in this burst is no request either
                break
            self._answer(frame)
        self._quiet = self._loop.call_later(RTU_SILENCE_S, self._silence) if self._got else None

    def _silence(self) -> None:
        """The line went quiet in the middle of something: an unknown function with a good checksum is refused."""
        got, self._got = self._got, b""
        if len(got) >= 4 and crc(got[:-2]) == got[-2:]:
            self._answer(got)

    def _answer(self, frame: bytes) -> None:
        module = self._units.get(frame[0])  # unit 0 is the broadcast address: never answered
        if module is None or frame[0] == 0:
            return
        self._before()
        if module.silent():
            return
        out = frame[:1] + answer(frame[1:-2], module)
        try:
            os.write(self._near, out + crc(out))
        except BlockingIOError:
            return  # nobody reads and the line is full: lost, as on a wire

    def close(self) -> None:
        """Close both ends."""
        if self._quiet:
            self._quiet.cancel()
        self._loop.remove_reader(self._near)
        os.close(self._near)
        os.close(self._far)


@dataclass(slots=True)
class Served:
    """Both links, open. `port` and `pty` are what a plant file needs."""

    port: int
    pty: str
    _tcp: asyncio.Server
    _rtu: RtuServer
    _open: set[asyncio.Transport]

    async def aclose(self) -> None:
        """Close the port, every connection and the pseudo-terminal."""
        self._tcp.close()
        for transport in list(self._open):
            transport.abort()
        await self._tcp.wait_closed()
        self._rtu.close()


async def serve(
    panel: Mapping[int, Module], meters: Mapping[int, Module], *, port: int, before: Callable[[], None] = lambda: None
) -> Served:
    """Open both links on loopback. `before` is called ahead of each answer: it brings the plant up to now.

    OSError when the port is taken; port 0 takes any free one.
    """
    connections: set[asyncio.Transport] = set()

    class Tracked(TcpServer):
        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            super().connection_made(transport)
            assert self._transport is not None
            connections.add(self._transport)

        def connection_lost(self, exc: Exception | None) -> None:
            if self._transport is not None:
                connections.discard(self._transport)

    tcp = await asyncio.get_running_loop().create_server(lambda: Tracked(panel, before), "127.0.0.1", port)
    try:
        rtu = RtuServer(meters, before)
    except OSError:
        tcp.close()
        raise
    return Served(tcp.sockets[0].getsockname()[1], rtu.path, tcp, rtu, connections)
