"""The one answer that was asked for, found among whatever an RTU line delivers.

Lives here: a pure function over the bytes received so far. RTU has no transaction number, so everything else is
checked: unit, function, byte count, exact length, checksum. It serves any byte stream that carries RTU frames.
May import: drivers.modbus.functions, pymodbus.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pymodbus.framer import FramerRTU

from drivers.modbus.functions import Shape

SMALLEST: Final = 5  # unit, function with 0x80, code, two bytes of checksum
LARGEST: Final = 256  # MODBUS over Serial Line V1.02, page 13
_READS: Final = (1, 2, 3, 4)


@dataclass(frozen=True, slots=True)
class Look:
    """What the bytes hold. `pdu`: the answer from the function code to before the checksum, b"" while there is none.

    `more`: how many bytes at least are missing before an answer can be whole, 0 when there is one. `foreign`: whole
    frames nobody asked for (another unit, function or length). `noise`: bytes that belong to no frame.
    """

    pdu: bytes
    more: int
    foreign: tuple[int, ...]  # their units
    noise: int


def look(data: bytes, unit: int, shape: Shape) -> Look:
    """Find the answer of `unit` that has `shape`, or its exception, in all bytes received since the request."""
    good = SMALLEST + shape.data_bytes
    size, start, noise = len(data), 0, 0
    more = min(SMALLEST, good)
    foreign: list[int] = []
    while start < size:
        wanted = _wanted(data, start, unit, shape, good)
        if wanted and start + wanted <= size:
            if checked(data[start : start + wanted]):
                pdu = bytes(data[start + 1 : start + wanted - 2])
                return Look(pdu, 0, tuple(foreign), noise + size - start - wanted)
        elif wanted:
            more = min(more, start + wanted - size)
        other = frame_size(data, start)
        if other and other != wanted and start + other <= size and checked(data[start : start + other]):
            foreign.append(data[start])
            start += other
            continue
        start, noise = start + 1, noise + 1
    return Look(b"", max(more, 1), tuple(foreign), noise)


def frames_in(data: bytes) -> tuple[tuple[int, ...], int]:
    """The units of the whole answers in bytes nobody waited for, and how many bytes belong to none."""
    units: list[int] = []
    start = noise = 0
    while start < len(data):
        size = frame_size(data, start)
        if size and start + size <= len(data) and checked(data[start : start + size]):
            units.append(data[start])
            start += size
        else:
            start, noise = start + 1, noise + 1
    return tuple(units), noise


def frame_size(data: bytes, start: int) -> int:
    """Length of the frame that may begin at `start` as an answer to a read or an exception, 0 if none can."""
    if len(data) - start < SMALLEST:
        return 0
    function = data[start + 1]
    if function in _READS:
        return SMALLEST + data[start + 2] if SMALLEST + data[start + 2] <= LARGEST else 0
    return SMALLEST if function & 0x80 else 0


def checked(frame: bytes) -> bool:
    """Whether the last two bytes are the checksum of the others (low byte first)."""
    return FramerRTU.compute_CRC(frame[:-2]) == int.from_bytes(frame[-2:], "big")


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
