"""The hot store as a source of groups (`source.py`), and several sources as one.

May import: config, daemon.core, this room. Synchronous and read-only, in slices.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from config.model import Plant
from daemon.core.scan import Count
from daemon.store.packing import PackingError, unpack_derived
from daemon.store.query import every, first
from daemon.store.reader import Reader
from daemon.store.records import StoredGroup
from daemon.store.source import Points, Source, Stretch
from daemon.store.tagged import Tags

SLICE: Final = 500


class HotSource:
    """What the store's own file holds."""

    def __init__(self, reader: Reader, tags: Tags) -> None:
        self._reader, self._tags = reader, tags

    def held(self) -> tuple[int, int] | None:
        # two questions: min and max in one would read the whole table
        sql = "SELECT (SELECT min(number) FROM scan_group), (SELECT max(number) FROM scan_group)"
        row = self._reader.ask(lambda db: first(db, sql))
        return None if row is None or row[0] is None else (row[0], row[1])

    def plant(self, version: int) -> Plant:
        return self._reader.plant(version)

    def groups(self, stretch: Stretch) -> Iterator[StoredGroup]:
        number = self._reader.seek(stretch.first, stretch.last, stretch.from_ms)
        while number <= stretch.last:
            found = self._reader.slice_of(number, stretch.last, SLICE)
            for stored in found:
                if stored.group.at_ms >= stretch.to_ms:
                    return
                yield stored
            if not found:
                return
            number = found[-1].group.number + 1

    def points(self, tag: str, stretch: Stretch) -> Iterator[Points]:
        number = self._reader.seek(stretch.first, stretch.last, stretch.from_ms)
        sql = (
            "SELECT number, at_ms, plant, body, derived FROM scan_group WHERE number BETWEEN ? AND ? "
            "ORDER BY number LIMIT ?"
        )
        while number <= stretch.last:
            ends = (number, stretch.last, SLICE)
            found = self._reader.ask(lambda db, ends=ends: every(db, sql, ends))  # type: ignore[misc]
            within = [row for row in found if row[1] < stretch.to_ms]
            yield from self._points(tag, within)
            if len(within) < SLICE:
                return
            number = found[-1][0] + 1

    def _points(self, tag: str, rows: Sequence[tuple[int, int, int, bytes, bytes]]) -> Iterator[Points]:
        begin = 0
        while begin < len(rows):
            plant, end = rows[begin][2], begin + 1
            while end < len(rows) and rows[end][2] == plant:
                end += 1
            made = self._of_one_plant(tag, plant, rows[begin:end])
            if made is not None:
                yield made
            begin = end

    def _of_one_plant(self, tag: str, plant: int, rows: Sequence[tuple[int, int, int, bytes, bytes]]) -> Points | None:
        use = self._tags.use(plant, tag)
        if use is None:
            return None
        at: list[int] = []
        values: list[Count | None] = []
        reasons: list[int] = []
        number = 0
        try:
            if use.derived >= 0:
                for row in rows:
                    number, at_ms, _, _, derived = row
                    for d in unpack_derived(derived) if derived else ():
                        if d.tag == use.derived:
                            at.append(at_ms)
                            values.append(d.value)
                            reasons.append(d.reason)
            else:
                layout, module, channel = self._reader.layout(plant), use.module, use.channel
                for row in rows:
                    number, at_ms, _, body, _ = row
                    scans, verdicts = layout.unpack(body)
                    for scan, verdict in zip(scans, verdicts, strict=True):
                        if scan.module == module:
                            at.append(at_ms)
                            values.append(scan.counts[channel])
                            reasons.append(verdict[channel])
        except PackingError as e:
            raise self._reader.broken(number, e) from e
        return Points(plant, at, values, reasons) if at else None


class Joined:
    """Sources one behind the other, the earliest first: where two hold a group, the earlier is asked."""

    def __init__(self, sources: Sequence[Source]) -> None:
        self._sources = tuple(sources)

    def held(self) -> tuple[int, int] | None:
        found = [h for s in self._sources if (h := s.held()) is not None]
        return (min(a for a, _ in found), max(b for _, b in found)) if found else None

    def plant(self, version: int) -> Plant:
        return self._sources[-1].plant(version)

    def groups(self, stretch: Stretch) -> Iterator[StoredGroup]:
        for source, part in self._parts(stretch):
            yield from source.groups(part)

    def points(self, tag: str, stretch: Stretch) -> Iterator[Points]:
        for source, part in self._parts(stretch):
            yield from source.points(tag, part)

    def _parts(self, stretch: Stretch) -> Iterator[tuple[Source, Stretch]]:
        after = stretch.first
        for source in self._sources:
            held = source.held()
            if held is None:
                continue
            begin, end = max(after, held[0]), min(stretch.last, held[1])
            if begin <= end:
                yield source, replace(stretch, first=begin, last=end)
                after = end + 1
