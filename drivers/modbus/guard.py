"""The one answer that was asked for, found among whatever an RTU line delivers.

Lives here: pure functions over the bytes received so far. RTU has no transaction number, so everything else is
checked: unit, function, byte count, exact length, checksum. They serve any byte stream that carries RTU frames.
What comes back of our own request (an adapter that echoes) is never an answer, and neither is what follows a request
of another master to the same unit: that is the other's answer.
May import: drivers.modbus.functions, pymodbus.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pymodbus.framer import FramerRTU

from drivers.modbus.functions import Shape

SMALLEST: Final = 5  # unit, function with 0x80, code, two bytes of checksum
LARGEST: Final = 256  # MODBUS over Serial Line V1.02, page 13
REQUEST: Final = 8  # a request to read, and any request or acknowledgement of one register or coil
_READS: Final = (1, 2, 3, 4)
_LIKE_REQUESTS: Final = (1, 2, 3, 4, 5, 6)  # functions whose requests are that long
_WRITES_MANY: Final = (15, 16)  # requests with a byte count, acknowledged in the form of a request


@dataclass(frozen=True, slots=True)
class Look:
    """What the bytes hold. `pdu`: the answer from the function code to before the checksum, b"" while there is none.

    `more`: how many bytes at least are missing before an answer can be whole, 0 when there is one. `foreign`: whole
    answers nobody asked for (another unit, function or length). `noise`: bytes that belong to no frame. `masters`:
    requests that are not ours. `echoes`: how often our own request came back.
    """

    pdu: bytes
    more: int
    foreign: tuple[int, ...]  # their units
    noise: int
    masters: tuple[int, ...] = ()  # the units they ask
    echoes: int = 0


@dataclass(frozen=True, slots=True)
class Overheard:
    """Bytes nobody waited for. `asking`: the last thing heard is a request, whose answer is still to come."""

    answers: tuple[int, ...]  # units that spoke
    noise: int  # bytes that belong to no frame
    masters: tuple[int, ...] = ()  # units that another master asks
    asking: bool = False


def look(data: bytes, unit: int, shape: Shape, request: bytes = b"") -> Look:
    """Find the answer of `unit` that has `shape`, or its exception, in all bytes received since `request` was sent."""
    good = SMALLEST + shape.data_bytes
    size, start, noise, echoes = len(data), 0, 0, 0
    more = min(SMALLEST, good)
    foreign: list[int] = []
    masters: list[int] = []
    while start < size:
        if request and data.startswith(request, start):
            # never an answer, although with 17 to 24 coils from 0x0300 on it has the form of one
            echoes += 1
            start += len(request)
            continue
        wanted = _wanted(data, start, unit, shape, good)
        if wanted and start + wanted <= size:
            if checked(data[start : start + wanted]):
                if unit in masters:  # it answers the other master's request, not ours
                    foreign.append(unit)
                    start += wanted
                    continue
                pdu = bytes(data[start + 1 : start + wanted - 2])
                return Look(pdu, 0, tuple(foreign), noise + size - start - wanted, tuple(masters), echoes)
        elif wanted:
            more = min(more, start + wanted - size)
        asks = master_size(data, start)
        other = frame_size(data, start)
        if other and other != wanted and _whole(data, start, other) and not (asks == other and data[start] == unit):
            foreign.append(data[start])
            start += other
        elif asks and asks != wanted:
            masters.append(data[start])
            start += asks
        else:
            start, noise = start + 1, noise + 1
    return Look(b"", max(more, 1), tuple(foreign), noise, tuple(masters), echoes)


def overheard(data: bytes) -> Overheard:
    """What bytes hold that nobody waited for."""
    units: list[int] = []
    masters: list[int] = []
    start = noise = 0
    asking = False
    while start < len(data):
        size = frame_size(data, start)
        if size and _whole(data, start, size):
            units.append(data[start])
            start, asking = start + size, False
        elif size := master_size(data, start):
            # what acknowledges a write has the form of a request and comes after one
            asking = not (asking and masters[-1] == data[start] and data[start + 1] > 4)
            masters.append(data[start])
            start += size
        else:
            start, noise = start + 1, noise + 1
    return Overheard(tuple(units), noise, tuple(masters), asking)


def frame_size(data: bytes, start: int) -> int:
    """Length of the frame that may begin at `start` as an answer to a read or an exception, 0 if none can."""
    if len(data) - start < SMALLEST:
        return 0
    function = data[start + 1]
    if function in _READS:
        return SMALLEST + data[start + 2] if SMALLEST + data[start + 2] <= LARGEST else 0
    return SMALLEST if function & 0x80 else 0


def master_size(data: bytes, start: int) -> int:
    """Length of the whole request (or acknowledgement of a write) that lies at `start`, 0 where there is none."""
    left = len(data) - start
    if left < REQUEST:
        return 0
    function = data[start + 1]
    if function in _LIKE_REQUESTS or function in _WRITES_MANY:
        if checked(data[start : start + REQUEST]):
            return REQUEST
        if function in _WRITES_MANY and _whole(data, start, size := REQUEST + 1 + data[start + 6]):
            return size
    return 0


def checked(frame: bytes) -> bool:
    """Whether the last two bytes are the checksum of the others (low byte first)."""
    return FramerRTU.compute_CRC(frame[:-2]) == int.from_bytes(frame[-2:], "big")


def _whole(data: bytes, start: int, size: int) -> bool:
    return start + size <= len(data) and checked(data[start : start + size])


def _wanted(data: bytes, start: int, unit: int, shape: Shape, good: int) -> int:
    """Length of the wanted frame if its head, or as much of it as is there, lies at `start`; else 0."""
    if data[start] != unit:
        return 0
    head = data[start + 1 : start + 3]
    if head == bytes((shape.code, shape.data_bytes)):
        return good
    if not head:
        return SMALLEST  # at least this
    if head[0] == shape.code | 0x80:
        return SMALLEST
    return good if head == bytes((shape.code,)) else 0
