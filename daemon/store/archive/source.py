"""The archive as a source of groups for the query room.

May import: config, daemon.core, the store room.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from config.model import Plant
from daemon.core.scan import Count
from daemon.store.archive.columns import Column
from daemon.store.archive.files import ArchiveFile
from daemon.store.packing import PackingError, unpack_derived
from daemon.store.reader import Reader
from daemon.store.records import StoredGroup
from daemon.store.source import Points, Stretch
from daemon.store.tagged import Tags, Use


class ArchiveSource:
    """What the files beside a store hold."""

    def __init__(self, reader: Reader, tags: Tags) -> None:
        self._reader, self._tags = reader, tags

    def held(self) -> tuple[int, int] | None:
        files = self._reader.archive()
        return (files[0].first_group, files[-1].last_group) if files else None

    def plant(self, version: int) -> Plant:
        return self._reader.plant(version)

    def groups(self, stretch: Stretch) -> Iterator[StoredGroup]:
        number = self._reader.seek(stretch.first, stretch.last, stretch.from_ms)
        while number <= stretch.last:
            found = self._reader.slice_of(number, stretch.last, 500)
            for stored in found:
                if stored.group.at_ms >= stretch.to_ms:
                    return
                yield stored
            if not found:
                return
            number = found[-1].group.number + 1

    def points(self, tag: str, stretch: Stretch) -> Iterator[Points]:
        for file in self._reader.archive():
            apart = file.last_group < stretch.first or file.first_group > stretch.last
            if apart or file.to_ms < stretch.from_ms or file.from_ms >= stretch.to_ms:
                continue
            use = self._tags.use(file.plant, tag)
            if use is not None:
                yield from self._of_file(file, use, stretch)

    def _of_file(self, file: ArchiveFile, use: Use, stretch: Stretch) -> Iterator[Points]:
        shelf = self._reader.shelf
        columns = _wanted(shelf.form(file).columns, use)
        if not columns:  # told only since a later program
            return
        ends = (stretch.first, stretch.last, stretch.from_ms, stretch.to_ms)
        for rows in shelf.points(file, columns, *ends):
            at, packed, packed_derived, values, reasons = (list(c) for c in zip(*rows, strict=True))
            other = packed if use.derived < 0 else packed_derived
            if any(p is not None for p in other):
                try:
                    at, values, reasons = self._with_packed(file, use, at, other, values, reasons)
                except PackingError as e:
                    raise shelf.broken(file, f"{shelf.folder / file.name} does not fit its plant ({e})") from e
            yield Points(file.plant, at, values, reasons)

    def _with_packed(
        self, file: ArchiveFile, use: Use, at: list[int], packed: list[Any], values: list[Any], reasons: list[Any]
    ) -> tuple[list[int], list[Count | None], list[int]]:
        """Points of which some stand in packed bytes."""
        layout = self._reader.layout(file.plant)
        times: list[int] = []
        out: list[Count | None] = []
        said: list[int] = []
        for t, body, value, reason in zip(at, packed, values, reasons, strict=True):
            found: list[tuple[Count | None, int]] = [(value, reason)]
            if body is not None and use.derived >= 0:
                found = [(d.value, d.reason) for d in unpack_derived(bytes(body)) if d.tag == use.derived]
            elif body is not None:
                scans, verdicts = layout.unpack(bytes(body))
                found = [
                    (s.counts[use.channel], v[use.channel])
                    for s, v in zip(scans, verdicts, strict=True)
                    if s.module == use.module
                ]
            for value_, reason_ in found:
                times.append(t)
                out.append(value_)
                said.append(reason_)
        return times, out, said


def _wanted(columns: tuple[Column, ...], use: Use) -> list[Column]:
    """Value and verdict of a tag; the verdict is there in every row that holds one."""
    if use.derived >= 0:
        return [c for c in columns if c.tag == use.derived]
    return [c for c in columns if (c.module, c.channel) == (use.module, use.channel) and c.role in ("count", "verdict")]
