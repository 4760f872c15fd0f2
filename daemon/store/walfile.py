"""A write-ahead log folded into its file without SQLite, which asks the file's first page first.

Lives here: that one way, by the published format (sqlite.org/fileformat2.html, section 4). Imports nothing of ours.
"""

from __future__ import annotations

import os
import struct
from pathlib import Path
from typing import Final

_HEAD, _FRAME = 32, 24
_ORDER: Final = {0x377F0682: "<", 0x377F0683: ">"}  # of the words that are summed


def lay_over(file: Path, log: bytes) -> bool:
    """Write the log's pages into `file` up to its last whole transaction. False when nothing of the log can be read."""
    if len(log) < _HEAD:
        return False
    magic, _, size, _, salt1, salt2, *said = struct.unpack(">8I", log[:_HEAD])
    order = _ORDER.get(magic)
    if order is None or size not in (1 << k for k in range(9, 17)):
        return False
    sums = _sums(log[:24], (0, 0), order)
    if sums != tuple(said):
        return False
    sure: dict[int, bytes] = {}
    pending: dict[int, bytes] = {}
    pages = 0
    for at in range(_HEAD, len(log) - _FRAME - size + 1, _FRAME + size):
        number, commit, s1, s2, *said = struct.unpack(">6I", log[at : at + _FRAME])
        data = log[at + _FRAME : at + _FRAME + size]
        sums = _sums(data, _sums(log[at : at + 8], sums, order), order)
        if (s1, s2) != (salt1, salt2) or sums != tuple(said):
            break  # of before, or torn: never reported as stored
        pending[number] = data
        if commit:
            sure |= pending
            pending.clear()
            pages = commit
    with file.open("rb+") as f:
        for number, data in sure.items():
            f.seek((number - 1) * size)
            f.write(data)
        if pages:
            os.ftruncate(f.fileno(), max(f.seek(0, os.SEEK_END), pages * size))
    return bool(sure)


def _sums(data: bytes, start: tuple[int, int], order: str) -> tuple[int, int]:
    a, b = start
    for first, second in struct.iter_unpack(f"{order}2I", data):
        a = (a + first + b) & 0xFFFFFFFF
        b = (b + second + a) & 0xFFFFFFFF
    return a, b
