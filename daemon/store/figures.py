"""The figures of a minute, an hour or a day: of each channel in counts, of each derived tag in its base unit.

Lives here: how they are reckoned from readings, joined into those of a longer time, packed and read. Pure. May import:
config, daemon.core, daemon.measure, this room's packing.

A reading counts when it has a value and is not bad; `good` of them are plainly good, and `seen` is how many there were
at all, without a value too. Counts stay counts: the way to a value is a straight line, so the least, the greatest, the
first and the last of them are exactly those of the values, and mean goes with mean.

Minutes are kept compressed (there are many, and few are read), hours and days as they are. A body is, little-endian:
for each module `seen`, then for each of its channels least, greatest, first, last (of the channel's own type), sum f64,
count, good; then the derived tags told in that time, those told once as
    u16 how many; u16 tag of each; f64 value of each; u8 of each (0 bad: no value, 1 uncertain, 2 good)
and those told more often as
    u16 how many; u16 tag of each; then of each least, greatest, first, last, sum (f64), seen, count, good (u32).
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain
from typing import Final

from config.model import Plant
from daemon.core.outcome import Derived
from daemon.core.reasons import QUALITY, Quality
from daemon.core.scan import Count, Scan
from daemon.core.tags import RawTag, raw_tags
from daemon.measure.current_loop import Line, line
from daemon.store.packing import CODE, PackingError, Verdicts

BAD: Final = frozenset(reason for reason, q in QUALITY.items() if q is Quality.BAD)

FIELDS: Final = 7  # numbers a channel
_NOTHING: Final = (0, 0, 0, 0, 0.0, 0, 0)
_MANY: Final = struct.Struct("<dddddIII")
_U16: Final = struct.Struct("<H")
_F64: Final = struct.Struct("<d")

Channel = tuple[Count, Count, Count, Count, float, int, int]
"""Least, greatest, first, last, sum, count, good."""
Told = tuple[float, float, float, float, float, int, int, int]
"""Of a derived tag: least, greatest, first, last, sum, seen, count, good."""


@dataclass(frozen=True, slots=True)
class Figures:
    """What a tag did in some time. Without a value that counts, `count` is 0 and the four values mean nothing."""

    seen: int
    count: int
    good: int
    least: float
    greatest: float
    first: float
    last: float
    total: float  # sum of the values

    @property
    def mean(self) -> float:
        """The mean of the values; nan when there are none."""
        return self.total / self.count if self.count else math.nan

    @property
    def share_good(self) -> float:
        """Which part of all readings was good, 0 to 1."""
        return self.good / self.seen if self.seen else 0.0

    def then(self, later: Figures) -> Figures:
        """These and those of a later time as one."""
        if not later.count:
            return Figures(
                self.seen + later.seen,
                *(self.count, self.good, self.least, self.greatest, self.first, self.last, self.total),
            )
        if not self.count:
            return Figures(
                self.seen + later.seen,
                *(later.count, later.good, later.least, later.greatest, later.first, later.last, later.total),
            )
        return Figures(
            self.seen + later.seen,
            self.count + later.count,
            self.good + later.good,
            min(self.least, later.least),
            max(self.greatest, later.greatest),
            self.first,
            later.last,
            self.total + later.total,
        )


def of_readings(values: Sequence[Count | None], reasons: Sequence[int]) -> Figures:
    """The figures of readings: value and reason of each, in order."""
    sound = [v for v, r in zip(values, reasons, strict=True) if v is not None and r not in BAD]
    if not sound:
        return Figures(len(values), 0, 0, 0.0, 0.0, 0.0, 0.0, 0.0)
    good = sum(1 for v, r in zip(values, reasons, strict=True) if not r and v is not None)
    return Figures(len(values), len(sound), good, min(sound), max(sound), sound[0], sound[-1], float(sum(sound)))


@dataclass(frozen=True, slots=True)
class Body:
    """The figures of all tags over one time: the numbers of the channels, and what was told of derived tags."""

    channels: tuple[Count, ...]
    derived: Mapping[int, Told]


class FigureLayout:
    """Where the figures of each channel lie, compiled once for a plant version."""

    __slots__ = ("_lines", "_packed", "_places", "_sizes", "_tags", "modules", "size")

    def __init__(self, plant: Plant) -> None:
        types = [[c.type for c in m.channels.values()] for m in plant.modules]
        self.modules = tuple(len(t) for t in types)
        codes = "<"
        self._places: list[list[tuple[int, int, struct.Struct]]] = []  # place in the row, byte, its struct
        place = 0
        for module in types:
            codes += "I"
            place += 1
            rows = []
            for t in module:
                code = _code(t)
                rows.append((place, struct.calcsize(codes), struct.Struct("<" + code)))
                codes += code
                place += FIELDS
            self._places.append(rows)
        self._packed = struct.Struct(codes)
        self._sizes = [self._places[i][0][1] - 4 if n else 0 for i, n in enumerate(self.modules)]
        self.size = self._packed.size
        self._tags = raw_tags(plant)
        self._lines: list[list[Line | None]] | None = None

    @property
    def _loops(self) -> list[list[Line | None]]:
        """The line of each channel that is read as a loop; made when figures are first reckoned, not to read them."""
        if self._lines is None:
            first: dict[tuple[int, int], RawTag] = {}
            for tag in self._tags:
                first.setdefault((tag.module, tag.channel), tag)
            self._lines = [[_loop_of(first[m, c]) for c in range(n)] for m, n in enumerate(self.modules)]
        return self._lines

    # ------------------------------------------------------------------ reckoning

    def has_value(self, module: int, channel: int, count: Count) -> bool:
        """False for a count of a loop that is open or short, whatever the verdict says beside it."""
        loop = self._loops[module][channel]
        return loop is None or loop.reason(count) not in BAD

    def reckon(
        self, scans: Iterable[tuple[Scan, ...]], verdicts: Iterable[Verdicts], derived: Iterable[tuple[Derived, ...]]
    ) -> Body:
        """The figures of some groups in order."""
        counts: list[list[tuple[Count | None, ...]]] = [[] for _ in self.modules]
        said: list[list[tuple[int, ...]]] = [[] for _ in self.modules]
        for group, rows in zip(scans, verdicts, strict=True):
            for scan, row in zip(group, rows, strict=True):
                counts[scan.module].append(scan.counts)
                said[scan.module].append(row)
        out: list[Count] = []
        for module, (rows_, reasons) in enumerate(zip(counts, said, strict=True)):
            out.append(len(rows_))
            out += self._module(module, rows_, reasons)
        told: dict[int, list[tuple[float, int]]] = {}
        for values in derived:
            for d in values:
                told.setdefault(d.tag, []).append((d.value, d.reason))
        return Body(tuple(out), {tag: _told(told[tag]) for tag in sorted(told)})

    def _module(
        self, module: int, rows: Sequence[tuple[Count | None, ...]], reasons: Sequence[tuple[int, ...]]
    ) -> Iterable[Count]:
        n = len(rows)
        if not n:
            return _NOTHING * self.modules[module]
        distinct = set(reasons)
        bad = {c for row in distinct for c in _bad_at(row)}
        if len(distinct) == 1:
            good = [n if not reason else 0 for reason in reasons[0]]
        else:
            good = [column.count(0) for column in zip(*reasons, strict=True)]
        out: list[Count] = []
        loops = self._loops[module]
        for c, column in enumerate(zip(*rows, strict=True)):
            sound: Sequence[Count]
            if c in bad:
                sound = [v for v, row in zip(column, reasons, strict=True) if v is not None and row[c] not in BAD]
            else:
                sound = column
            if not sound:
                out += _NOTHING
                continue
            good_here, low, high = good[c], min(sound), max(sound)
            loop = loops[c]
            if loop is not None and not (loop.good_min <= low and high <= loop.good_max):
                kept = [
                    (v, row[c])
                    for v, row in zip(column, reasons, strict=True)
                    if v is not None and row[c] not in BAD and self.has_value(module, c, v)
                ]
                if not kept:
                    out += _NOTHING
                    continue
                sound, good_here = [v for v, _ in kept], sum(not r for _, r in kept)
                low, high = min(sound), max(sound)
            out += (low, high, sound[0], sound[-1], float(sum(sound)), len(sound), good_here)
        return out

    def join(self, bodies: Sequence[Body]) -> Body:
        """The figures of times that follow each other, as those of the whole."""
        if len(bodies) == 1:
            return bodies[0]
        columns = list(zip(*(b.channels for b in bodies), strict=True))
        out: list[Count] = []
        place = 0
        for channels in self.modules:
            out.append(sum(columns[place]))
            place += 1
            for _ in range(channels):
                seven = columns[place : place + FIELDS]
                place += FIELDS
                if 0 in seven[5]:
                    kept = [row for row in zip(*seven, strict=True) if row[5]]
                    if not kept:
                        out += _NOTHING
                        continue
                    seven = list(zip(*kept, strict=True))
                least, greatest, first, last, total, count, good = seven
                out += (min(least), max(greatest), first[0], last[-1], sum(total), sum(count), sum(good))
        told: dict[int, list[Told]] = {}
        for body in bodies:
            for tag, t in body.derived.items():
                told.setdefault(tag, []).append(t)
        return Body(tuple(out), {tag: _joined(told[tag]) for tag in sorted(told)})

    # ------------------------------------------------------------------ bytes

    def pack(self, body: Body, level: int = 1) -> bytes:
        """To bytes, compressed for a minute (`level` 0). PackingError when something does not fit."""
        try:
            made = self._packed.pack(*body.channels) + _pack_told(body.derived)
            return made if level else squeezed(made)
        except (struct.error, OverflowError) as e:
            raise PackingError(f"figures do not fit: {e}") from e

    def unpack(self, packed: bytes, level: int = 1) -> Body:
        """What `pack` was given. PackingError when the bytes are not of this plant."""
        packed = plain(packed, level)
        try:
            channels = self._packed.unpack_from(packed)
            return Body(channels, dict(_unpack_told(packed, self.size)))
        except (struct.error, IndexError) as e:
            raise PackingError(f"figures do not fit their plant: {e}") from e

    def channel_at(self, module: int, channel: int) -> tuple[int, int, struct.Struct]:
        """Where the module's `seen` lies, where the channel's seven numbers lie, in bytes, and their form."""
        _, at, form = self._places[module][channel]
        return self._sizes[module], at, form

    def told_of(self, packed: bytes, tag: int) -> Told | None:
        """What was told of one derived tag, None when nothing was. struct.error when the bytes end early."""
        at = self.size
        (n,) = _U16.unpack_from(packed, at)
        tags = struct.unpack_from(f"<{n}H", packed, at + 2)
        if tag in tags:
            k = tags.index(tag)
            at += 2 + 2 * n
            mark = packed[at + 8 * n + k]
            v = _F64.unpack_from(packed, at + 8 * k)[0]
            return (v, v, v, v, v, 1, 1, int(mark > 1)) if mark else (0.0, 0.0, 0.0, 0.0, 0.0, 1, 0, 0)
        at += 2 + 11 * n
        (m,) = _U16.unpack_from(packed, at)
        tags = struct.unpack_from(f"<{m}H", packed, at + 2)
        if tag not in tags:
            return None
        return _MANY.unpack_from(packed, at + 2 + 2 * m + tags.index(tag) * _MANY.size)


def _loop_of(tag: RawTag) -> Line | None:
    direct = tag.range is not None and tag.range.direct
    return line(tag) if tag.kind == "analogue" and not direct else None


def squeezed(body: bytes) -> bytes:
    """The bytes of a minute compressed: half the size. A small window, since a large one is cleared every time."""
    packer = zlib.compressobj(1, zlib.DEFLATED, 12, 6)
    return packer.compress(body) + packer.flush()


def plain(packed: bytes, level: int) -> bytes:
    """The bytes as they are read: those of a minute (`level` 0) decompressed. PackingError when they are damaged."""
    if level:
        return packed
    try:
        return zlib.decompress(packed)
    except zlib.error as e:
        raise PackingError(f"figures do not read back: {e}") from e


def _code(kind: str) -> str:
    code = "B" if kind == "bit" else CODE[kind]
    return ("d" if code == "f" else code) * 4 + "dII"


@lru_cache(4096)
def _bad_at(row: tuple[int, ...]) -> tuple[int, ...]:
    return tuple(c for c, reason in enumerate(row) if reason in BAD)


def _told(values: Sequence[tuple[float, int]]) -> Told:
    f = of_readings([v if math.isfinite(v) else None for v, _ in values], [r for _, r in values])
    return f.least, f.greatest, f.first, f.last, f.total, f.seen, f.count, f.good


def _joined(parts: Sequence[Told]) -> Told:
    if len(parts) == 1:
        return parts[0]
    seen = sum(p[5] for p in parts)
    kept = [p for p in parts if p[6]]
    if not kept:
        return 0.0, 0.0, 0.0, 0.0, 0.0, seen, 0, 0
    least, greatest, _, _, total, _, count, good = zip(*kept, strict=True)
    return min(least), max(greatest), kept[0][2], kept[-1][3], sum(total), seen, sum(count), sum(good)


def _pack_told(told: Mapping[int, Told]) -> bytes:
    once = {tag: t for tag, t in told.items() if t[5] == 1}
    many = {tag: t for tag, t in told.items() if t[5] != 1}
    marks = bytes((t[6] and 1 + t[7]) for t in once.values())
    n = len(once)
    return b"".join(
        (
            struct.pack(f"<H{n}H{n}d", n, *once, *(t[2] for t in once.values())),
            marks,
            struct.pack(f"<H{len(many)}H", len(many), *many),
            *(_MANY.pack(*t) for t in many.values()),
        )
    )


def _unpack_told(packed: bytes, at: int) -> Iterable[tuple[int, Told]]:
    (n,) = _U16.unpack_from(packed, at)
    fields = struct.unpack_from(f"<{n}H{n}d", packed, at + 2)
    at += 2 + 10 * n
    marks = packed[at : at + n]
    at += n
    (m,) = _U16.unpack_from(packed, at)
    tags = struct.unpack_from(f"<{m}H", packed, at + 2)
    at += 2 + 2 * m
    if len(packed) != at + m * _MANY.size:
        raise struct.error(f"{len(packed)} bytes where {at + m * _MANY.size} are wanted")
    once = (
        (tag, (v, v, v, v, v, 1, int(mark > 0), int(mark > 1)) if mark else (0.0, 0.0, 0.0, 0.0, 0.0, 1, 0, 0))
        for tag, v, mark in zip(fields[:n], fields[n:], marks, strict=True)
    )
    many = zip(tags, _MANY.iter_unpack(packed[at:]), strict=True)
    return chain(once, many)
