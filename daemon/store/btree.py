"""Pages of an SQLite file, read without SQLite: leaves of tables and the rows in them, whatever else is damaged.

Lives here: as much of the published file format (sqlite.org/fileformat2.html, 1.3 to 1.6 and 2.1) as that takes.
Imports nothing of ours. A page or a row that makes no sense is passed over; nothing is ever written.
"""

from __future__ import annotations

import mmap
import struct
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Final

Row = tuple[int | None, tuple[Any, ...]]
"""Row number (None in an index) and values; the place of the row number's own column holds None."""

TABLE_LEAF, TABLE_NODE, INDEX_LEAF, INDEX_NODE = 0x0D, 0x05, 0x0A, 0x02
LONGEST: Final = 1 << 28  # bytes of one row that are believed


class Torn(Exception):
    """These bytes are no row."""


class Pages:
    """An SQLite file, open for reading."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb")
        self._size = path.stat().st_size
        self._data: mmap.mmap | bytes = (
            mmap.mmap(self._file.fileno(), 0, access=mmap.ACCESS_READ) if self._size else b""
        )
        head = self._data[:100]
        size = int.from_bytes(head[16:18], "big")
        size = 65536 if size == 1 else size
        self.sound = head[:16] == b"SQLite format 3\0" and size >= 512 and size & (size - 1) == 0
        self.page = size if self.sound else 4096
        self.usable = self.page - (head[20] if self.sound else 0)
        self.count = self._size // self.page
        self.user_version = int.from_bytes(head[60:64], "big") if self.sound else 0
        self.unread: set[int] = set()

    def __enter__(self) -> Pages:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if isinstance(self._data, mmap.mmap):
            self._data.close()
        self._file.close()

    # ------------------------------------------------------------------ ways

    def tables(self) -> dict[str, int]:
        """Root page of each table, as far as the schema can be read."""
        out = {}
        for page in self.leaves(1):
            for _, values in self.rows(page):
                if len(values) == 5 and values[0] == "table" and isinstance(values[3], int):
                    out[str(values[1])] = values[3]
        return out

    def leaves(self, root: int) -> Iterator[int]:
        """Pages with rows below a root: leaves of a table, every page of an index. Lost ways are passed over."""
        waiting, seen = [root], set[int]()
        while waiting:
            page = waiting.pop()
            if page in seen or not 1 <= page <= self.count:
                continue
            seen.add(page)
            kind, cells = self._cells(page)
            if kind in (TABLE_LEAF, INDEX_LEAF):
                yield page
            elif kind in (TABLE_NODE, INDEX_NODE):
                if kind == INDEX_NODE:
                    yield page
                base = (page - 1) * self.page
                start = base + (100 if page == 1 else 0)
                below = [self._number(base + c) for c in cells]
                waiting += [self._number(start + 8), *reversed(below)]
            else:
                self.unread.add(page)

    def other_leaves(self, seen: set[int]) -> Iterator[int]:
        """Leaves of tables that were not reached, but for those that are free."""
        free = self._free()
        for page in range(2, self.count + 1):
            if page not in seen and page not in free and self._kind(page) in (TABLE_LEAF, INDEX_LEAF):
                yield page

    def _free(self) -> set[int]:
        """Pages of the free list, as far as it can be followed."""
        out: set[int] = set()
        if not self.sound:
            return out
        trunk = self._number(32)
        while 1 < trunk <= self.count and trunk not in out:
            out.add(trunk)
            base = (trunk - 1) * self.page
            entries = min(self._number(base + 4), self.usable // 4 - 2)
            out.update(self._number(base + 8 + 4 * k) for k in range(entries))
            trunk = self._number(base)
        return out

    # ------------------------------------------------------------------ rows

    def rows(self, page: int) -> Iterator[Row]:
        """The rows of one page; what makes no sense is passed over."""
        kind, cells = self._cells(page)
        base = (page - 1) * self.page
        torn = False
        for cell in cells:
            try:
                yield self._row(kind, base + cell, base + self.page)
            except (Torn, IndexError, UnicodeDecodeError, struct.error):
                torn = True
        if torn:
            self.unread.add(page)

    def _kind(self, page: int) -> int:
        return self._data[(page - 1) * self.page + (100 if page == 1 else 0)]

    def _cells(self, page: int) -> tuple[int, list[int]]:
        """Kind of a page and where its cells begin; no cells where that makes no sense."""
        base = (page - 1) * self.page
        start = base + (100 if page == 1 else 0)
        kind = self._data[start]
        head = {TABLE_LEAF: 8, INDEX_LEAF: 8, TABLE_NODE: 12, INDEX_NODE: 12}.get(kind, 0)
        count = int.from_bytes(self._data[start + 3 : start + 5], "big")
        if not head or count > self.usable // 4:
            return 0, []
        at = start + head
        cells = struct.unpack(f">{count}H", self._data[at : at + 2 * count])
        return kind, [c for c in cells if start - base + head <= c < self.usable]

    def _row(self, kind: int, at: int, end: int) -> Row:
        if kind == INDEX_NODE:
            at += 4
        length, at = self._varint(at)
        number: int | None = None
        if kind == TABLE_LEAF:
            number, at = self._varint(at)
            number = number - (1 << 64) if number >= 1 << 63 else number
        elif kind not in (INDEX_LEAF, INDEX_NODE):
            raise Torn
        return number, values_of(self._payload(kind, length, at, end))

    def _payload(self, kind: int, length: int, at: int, end: int) -> bytes:
        u = self.usable
        most = u - 35 if kind == TABLE_LEAF else (u - 12) * 64 // 255 - 23
        if not 1 < length <= LONGEST:
            raise Torn
        if length <= most:
            if at + length > end:
                raise Torn
            return bytes(self._data[at : at + length])
        least = (u - 12) * 32 // 255 - 23
        here = least + (length - least) % (u - 4)
        here = here if here <= most else least
        out = bytearray(self._data[at : at + here])
        page, hops = self._number(at + here), 0
        while len(out) < length:
            if not 1 < page <= self.count or hops > length // (u - 4) + 1:
                raise Torn
            base = (page - 1) * self.page
            out += self._data[base + 4 : base + 4 + min(u - 4, length - len(out))]
            page, hops = self._number(base), hops + 1
        return bytes(out)

    def _number(self, at: int) -> int:
        return int.from_bytes(self._data[at : at + 4], "big")

    def _varint(self, at: int) -> tuple[int, int]:
        return varint(self._data, at)


def varint(data: Any, at: int) -> tuple[int, int]:
    """A variable-length number and where it ends."""
    value = 0
    for k in range(8):
        byte = data[at + k]
        value = value << 7 | byte & 0x7F
        if not byte & 0x80:
            return value, at + k + 1
    return value << 8 | data[at + 8], at + 9


def values_of(payload: bytes) -> tuple[Any, ...]:
    """The values of a record. Torn, UnicodeDecodeError, IndexError for what is none."""
    head, at = varint(payload, 0)
    if head > len(payload):
        raise Torn
    kinds = []
    while at < head:
        kind, at = varint(payload, at)
        kinds.append(kind)
    out: list[Any] = []
    for kind in kinds:
        size = (kind - 12) // 2 if kind >= 12 else (0, 1, 2, 3, 4, 6, 8, 8, 0, 0, -1, -1)[kind]
        if size < 0 or at + size > len(payload):
            raise Torn
        data = payload[at : at + size]
        at += size
        if kind == 0:
            out.append(None)
        elif kind in (8, 9):
            out.append(kind - 8)
        elif kind == 7:
            out.append(struct.unpack(">d", data)[0])
        elif kind < 7:
            out.append(int.from_bytes(data, "big", signed=True))
        else:
            out.append(data.decode("utf-8") if kind % 2 else data)
    if at != len(payload):
        raise Torn
    return tuple(out)
