"""Stored groups as rows of plain columns, and back to the very bytes they came from.

Lives here: which columns a plant version has, and both ways. Pure. May import: config, daemon.core, packing.

A row is a group. A channel has a column of counts and one of verdicts (0 is good); where a count is missing the verdict
says why. A module that was not asked in that group has no delay, and nothing in its channels. A group that these
columns cannot give back to the byte (a module asked twice, a missing count whose reason is not its verdict) carries its
packed bytes besides: what is read again is always exactly what was stored.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

from config.model import Plant
from daemon.core.outcome import Derived
from daemon.core.scan import Count, Scan
from daemon.core.tags import derived_tags
from daemon.store.packing import Layout, PackingError, Verdicts, pack_derived, unpack_derived

COUNT_TYPE: Final = {
    "u16": "USMALLINT",
    "s16": "SMALLINT",
    "u32": "UINTEGER",
    "s32": "INTEGER",
    "u64": "UBIGINT",
    "f32": "FLOAT",
    "f64": "DOUBLE",
    "bcd16": "USMALLINT",
    "bcd32": "UINTEGER",
    "bit": "UTINYINT",
}
FIXED: Final = 7  # columns in front of those of the modules
_F32: Final = struct.Struct("<f")

Raw = tuple[int, int, int, int, int, int, bytes, bytes]
"""A row of the hot table: number, segment, elapsed_ms, at_ms, gap_ms, plant, body, derived."""
Loose = tuple[int, int, int, int, int, int, tuple[Scan, ...], Verdicts, tuple[Derived, ...]]
"""The same, unpacked."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `module`, `channel` and `tag` are places in the plant's lists, -1 where they do not apply."""

    name: str
    type: str
    role: str  # number, time, elapsed, segment, gap, packed, packed derived, delay, count, verdict, derived, ...
    meaning: str
    module: int = -1
    channel: int = -1
    tag: int = -1

    @property
    def quoted(self) -> str:
        """The name for SQL."""
        return quoted(self.name)


def quoted(name: str) -> str:
    """A name for SQL."""
    return '"' + name.replace('"', '""') + '"'


def columns_of(plant: Plant) -> tuple[Column, ...]:
    """The columns of a plant version's groups, in order."""
    out = [
        Column("number", "BIGINT", "number", "number of the group of polls; counts up by one"),
        Column("time_utc", "TIMESTAMP_MS", "time", "when its polls were due, UTC, as the clock said then"),
        Column("elapsed_minus_time_ms", "BIGINT", "elapsed", "elapsed time less time_utc since 1970, ms"),
        Column("clock_segment", "UINTEGER", "segment", "clock segment that dates it"),
        Column("gap_ms", "UBIGINT", "gap", "how long nothing was watched before it, ms"),
        Column("packed", "BLOB", "packed", "the group as packed bytes where these columns do not hold all of it"),
        Column("packed_derived", "BLOB", "packed derived", "derived values as packed bytes, likewise"),
    ]
    for m, module in enumerate(plant.modules):
        names = list(module.channels.items())
        out.append(
            Column(f"{module.name} delay_ms", "UINTEGER", "delay", "from due to answered, ms; none: not asked", m)
        )
        out += [
            Column(f"{module.name}.{c}", COUNT_TYPE[ch.type], "count", "count as it came", m, k)
            for k, (c, ch) in enumerate(names)
        ]
        out += [
            Column(f"{module.name}.{c} verdict", "UTINYINT", "verdict", "0 good, else the number of a reason", m, k)
            for k, (c, _) in enumerate(names)
        ]
    tags = derived_tags(plant)
    unit = [f", {t.unit}" if t.unit else "" for t in tags]
    out += [
        Column(f"{t.name} derived", "DOUBLE", "derived", f"derived value{unit[i]}", tag=i) for i, t in enumerate(tags)
    ]
    out += [
        Column(f"{t.name} derived verdict", "UTINYINT", "derived verdict", "0 good, else the number of a reason", tag=i)
        for i, t in enumerate(tags)
    ]
    return _distinct(out)


def _distinct(columns: Iterable[Column]) -> tuple[Column, ...]:
    """Names that no tool confuses, those that look at no capitals either."""
    seen: set[str] = set()
    out = []
    for c in columns:
        name, n = c.name, 1
        while name.casefold() in seen:
            n += 1
            name = f"{c.name} ({n})"
        seen.add(name.casefold())
        out.append(Column(**{**asdict(c), "name": name}))
    return tuple(out)


class Form:
    """The way from groups to rows and back for one list of columns."""

    def __init__(self, columns: Sequence[Column], layout: Layout) -> None:
        self.columns, self.layout = tuple(columns), layout
        self._width = len(self.columns)
        delays = [i for i, c in enumerate(self.columns) if c.role == "delay"]
        self._modules: list[tuple[int, int, int, int]] = []  # delay, counts from, verdicts from, end
        self._floats: list[frozenset[int]] = []
        for at in delays:
            n = sum(1 for c in self.columns if c.role == "count" and c.module == self.columns[at].module)
            self._modules.append((at, at + 1, at + 1 + n, at + 1 + 2 * n))
            self._floats.append(frozenset(k for k in range(n) if self.columns[at + 1 + k].type == "FLOAT"))
        derived = [i for i, c in enumerate(self.columns) if c.role == "derived"]
        self._derived = derived[0] if derived else self._width
        self.tags = len(derived)
        self._good = tuple((0,) * (v - c) for _, c, v, _ in self._modules)

    def row(self, raw: Raw) -> list[Any]:
        """A group as a row. PackingError when its bytes do not fit its plant."""
        number, segment, elapsed_ms, at_ms, gap_ms, _, body, packed = raw
        row: list[Any] = [None] * self._width
        row[:5] = (number, at_ms, elapsed_ms - at_ms, segment, gap_ms)
        scans, verdicts = self.layout.unpack(body)
        for scan, verdict in zip(scans, verdicts, strict=True):
            delay, counts, codes, end = self._modules[scan.module]
            floats = self._floats[scan.module]
            row[delay] = scan.delay_ms
            row[counts:codes] = (
                [_single(c) if k in floats else c for k, c in enumerate(scan.counts)] if floats else (scan.counts)
            )
            row[codes:end] = verdict
        if packed:
            for d in unpack_derived(packed):
                if d.tag < self.tags:
                    row[self._derived + d.tag] = d.value
                    row[self._derived + self.tags + d.tag] = d.reason
        if self._packed(row) != body:
            row[5] = body
        if packed and self._packed_derived(row) != packed:
            row[6] = packed
        return row

    def loose(self, row: Sequence[Any], plant: int) -> Loose:
        """A row as the group it came from. PackingError when it cannot be one."""
        number, at_ms, less, segment, gap_ms, body, packed = row[:FIXED]
        scans, verdicts = self._scans(row) if body is None else self.layout.unpack(bytes(body))
        derived = self._told(row) if packed is None else unpack_derived(bytes(packed))
        return number, segment, at_ms + less, at_ms, gap_ms, plant, scans, verdicts, derived

    def raw(self, row: Sequence[Any], plant: int) -> Raw:
        """A row as the hot table had it, for the proof that nothing was lost."""
        number, segment, elapsed_ms, at_ms, gap_ms, _, scans, verdicts, derived = self.loose(row, plant)
        return (
            number,
            segment,
            elapsed_ms,
            at_ms,
            gap_ms,
            plant,
            self.layout.pack(scans, verdicts),
            pack_derived(derived),
        )

    def _scans(self, row: Sequence[Any]) -> tuple[tuple[Scan, ...], Verdicts]:
        scans: list[Scan] = []
        said: list[tuple[int, ...]] = []
        for m, (delay, at, codes, end) in enumerate(self._modules):
            if row[delay] is None:
                continue
            counts: tuple[Count | None, ...] = tuple(row[at:codes])
            verdict = tuple(row[codes:end])
            faults = self._good[m]
            if None in counts:
                faults = tuple(v if c is None else 0 for c, v in zip(counts, verdict, strict=True))
            scans.append(Scan(m, counts, faults, row[delay]))
            said.append(verdict)
        return tuple(scans), tuple(said)

    def _told(self, row: Sequence[Any]) -> tuple[Derived, ...]:
        at, n = self._derived, self.tags
        reasons = row[at + n : at + 2 * n]
        if not any(r is not None for r in reasons):
            return ()
        return tuple(Derived(i, row[at + i], r) for i, r in enumerate(reasons) if r is not None)

    def _packed(self, row: Sequence[Any]) -> bytes | None:
        try:
            return self.layout.pack(*self._scans(row))
        except PackingError:
            return None

    def _packed_derived(self, row: Sequence[Any]) -> bytes:
        return pack_derived(self._told(row))


def _single(count: Count | None) -> float | None:
    """The float32 nearest to a count, None where there is none so large."""
    try:
        return None if count is None else float(_F32.unpack(_F32.pack(count))[0])
    except (struct.error, OverflowError):
        return None
