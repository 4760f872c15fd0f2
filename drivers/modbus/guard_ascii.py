"""The one answer that was asked for, found among what a line in ASCII mode delivers.

Lives here: the ASCII frame (`:`, two characters a byte, LRC, CR LF) and the search for it; pure functions with the
same promises as `drivers.modbus.guard`. A colon begins a frame wherever it comes, so that half a frame costs itself
alone. The LRC is one byte and a sum: it cannot see bytes that changed places, nor changes that cancel out.
May import: drivers.modbus.functions, drivers.modbus.guard.
"""

from __future__ import annotations

from binascii import Error, unhexlify
from collections.abc import Iterator
from typing import Final

from drivers.modbus.functions import Shape
from drivers.modbus.guard import Look, Overheard

SMALLEST: Final = 11  # ":", unit, function with 0x80, code and LRC in two characters each, CR, LF
LARGEST: Final = 513  # MODBUS over Serial Line V1.02, page 17
_DIGITS: Final = frozenset(b"0123456789ABCDEF")
_READS: Final = (1, 2, 3, 4)
_REQUEST_PDU: Final = 5


def lrc(body: bytes) -> int:
    """The check of a frame: minus the sum of its bytes, in one byte (MODBUS over Serial Line V1.02, 6.2.1)."""
    return -sum(body) & 0xFF


def build(body: bytes) -> bytes:
    """A frame of unit and PDU."""
    return b":" + (body + bytes((lrc(body),))).hex().upper().encode() + b"\r\n"


def body_of(text: bytes) -> bytes:
    """Unit and PDU of what lies between `:` and CR LF; b"" where digits, length or LRC are wrong."""
    if len(text) < SMALLEST - 3 or not _DIGITS.issuperset(text):
        return b""
    try:
        frame = unhexlify(text)
    except Error:
        return b""
    return frame[:-1] if lrc(frame[:-1]) == frame[-1] else b""


def look(data: bytes, unit: int, shape: Shape, request: bytes = b"") -> Look:
    """Find the answer of `unit` that has `shape`, or its exception, in all bytes received since `request` was sent."""
    noise = echoes = 0
    foreign: list[int] = []
    masters: list[int] = []
    more = SMALLEST
    for text, size in _cut(data):
        if text is None:  # a frame that is not over yet, or noise
            if size < 0:
                more = _missing(data[size:], unit, shape)
            noise += abs(size)
            continue
        if request and text == request[1:-2]:
            echoes += 1
            continue
        body = body_of(text)
        if body and body[0] == unit and _fits(body[1:], shape):
            if unit not in masters:
                return Look(body[1:], 0, tuple(foreign), noise, tuple(masters), echoes)
            foreign.append(unit)  # it answers the other master's request
        elif body and _is_answer(body[1:]) and not (len(body) == 1 + _REQUEST_PDU and body[0] == unit):
            foreign.append(body[0])
        elif body and _asks(body[1:]):
            masters.append(body[0])
        else:
            noise += size
    return Look(b"", max(more, 1), tuple(foreign), noise, tuple(masters), echoes)


def frames(data: bytes) -> Iterator[bytes]:
    """What lies between `:` and CR LF of every whole frame, sound or not."""
    return (text for text, _ in _cut(data) if text is not None)


def overheard(data: bytes) -> Overheard:
    """What bytes hold that nobody waited for."""
    answers: list[int] = []
    masters: list[int] = []
    noise, asking = 0, False
    for text, size in _cut(data):
        body = body_of(text) if text is not None else b""
        if body and _is_answer(body[1:]):
            answers.append(body[0])
            asking = False
        elif body and _asks(body[1:]):
            asking = not (asking and masters[-1] == body[0] and body[1] > 4)
            masters.append(body[0])
        else:
            noise += abs(size)
    return Overheard(tuple(answers), noise, tuple(masters), asking)


def _cut(data: bytes) -> Iterator[tuple[bytes | None, int]]:
    """What lies between each `:` and its CR LF, with the length of the frame.

    None stands for what is in no frame, with its length, negative for the beginning of one at the end of the bytes.
    """
    start = 0
    while start < len(data):
        begin = data.find(b":", start)
        if begin != start:
            yield None, (len(data) if begin < 0 else begin) - start
            if begin < 0:
                return
        end, again = data.find(b"\r\n", begin), data.find(b":", begin + 1)
        if again >= 0 and (end < 0 or again < end):
            yield None, again - begin
            start = again
        elif end < 0:
            yield None, begin - len(data)
            return
        else:
            yield data[begin + 1 : end], end + 2 - begin
            start = end + 2


def _missing(begun: bytes, unit: int, shape: Shape) -> int:
    """How many characters at least are to come before the frame that has begun is whole."""
    head = b":%02X%02X" % (unit, shape.code)
    whole = SMALLEST + 2 * shape.data_bytes if begun.startswith(head) else SMALLEST
    return max(1, whole - len(begun))


def _fits(pdu: bytes, shape: Shape) -> bool:
    if len(pdu) == 2 and pdu[0] == shape.code | 0x80:
        return True
    return len(pdu) == shape.pdu_bytes and pdu[0] == shape.code and pdu[1] == shape.data_bytes


def _is_answer(pdu: bytes) -> bool:
    return len(pdu) == 2 + pdu[1] if pdu[0] in _READS else len(pdu) == 2 and bool(pdu[0] & 0x80)


def _asks(pdu: bytes) -> bool:
    return (len(pdu) == _REQUEST_PDU and pdu[0] in (1, 2, 3, 4, 5, 6, 15, 16)) or (
        pdu[0] in (15, 16) and len(pdu) > _REQUEST_PDU and len(pdu) == 6 + pdu[5]
    )
