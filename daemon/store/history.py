"""One room for every question about the past: full readings, trends, grids and the figures of hours and days.

Lives here: `History`, over the hot store and whatever other sources of groups there are, without knowing which. May
import: config, daemon.core, this room. Synchronous, read-only, in slices: no read transaction outlives its slice, and
memory is bounded by the stretches asked for, not by the time they cover.

A stretch is answered from the longest roll-ups that lie whole in it; where it begins or ends inside one, from the next
shorter, down to the readings. So nothing is rounded: least and greatest are those of all readings that count (they have
a value and are not bad). Dates are corrected; the minutes of a corrected clock segment may lie across a stretch's ends,
and are then taken apart in the same way.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final
from zoneinfo import ZoneInfo

from daemon.core.scan import Count
from daemon.store.beside import beside
from daemon.store.buckets import DAY_MS, HOUR_MS, Buckets, Days, Even, fitting
from daemon.store.dates import Span
from daemon.store.figures import Figures, of_readings
from daemon.store.hot import HotSource, Joined
from daemon.store.reader import Reader
from daemon.store.rolled import Rolled, Slice, Told
from daemon.store.source import Source, Stretch
from daemon.store.tagged import Tags, Use

GRID: Final = 500
"""Stretches of a grid that are held at a time."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One reading: `value` in the tag's unit, None where there is none; `reason` 0 is good."""

    at_ms: int
    value: Count | None
    reason: int


@dataclass(frozen=True, slots=True)
class Bucket:
    """A tag's figures from `from_ms` to before `to_ms`, cut by the time that was asked for."""

    from_ms: int
    to_ms: int
    figures: Figures


@dataclass(frozen=True, slots=True)
class Trend:
    """A tag over a time in few points: stretches that hold a reading, by time."""

    tag: str
    unit: str
    kind: str
    buckets: tuple[Bucket, ...]


class UnknownTag(ValueError):
    """No plant version of the store has such a tag."""


class History:
    """What a store and its other sources hold. All times are ms UTC, `from_ms` <= t < `to_ms`."""

    def __init__(self, reader: Reader, earlier: Sequence[Source] | None = None) -> None:
        """`earlier`: sources of what the store's own file holds no longer; None: those that lie beside it."""
        self.reader = reader
        self.tags = Tags(reader.plant)
        before = beside(reader, self.tags) if earlier is None else earlier
        self._source: Source = Joined((*before, HotSource(reader, self.tags)))
        self._rolled = Rolled(reader, self.tags)
        self._versions = [v.version for v in reader.plant_versions()]

    # ------------------------------------------------------------------ what is asked

    def use(self, tag: str) -> Use:
        """What a tag is under the newest plant version that knows it. UnknownTag."""
        for version in reversed(self._versions):
            if (use := self.tags.use(version, tag)) is not None:
                return use
        near = [n for n in self.names() if tag.lower() in n.lower() or n.lower() in tag.lower()][:8]
        more = f" Is it one of {', '.join(near)}?" if near else ""
        raise UnknownTag(f"No plant file of this store has the tag {tag!r}.{more}")

    def names(self) -> tuple[str, ...]:
        """The tags of the newest plant version."""
        return self.tags.names(self._versions[-1]) if self._versions else ()

    def zone(self) -> ZoneInfo:
        """The zone of the newest plant version; UTC in an empty store."""
        return ZoneInfo(self.reader.plant(self._versions[-1]).plant.zone if self._versions else "UTC")

    def range(self, tag: str, from_ms: int, to_ms: int) -> Iterator[Sample]:
        """Every reading, in the order of the groups. A tag whose unit changed: those in its newest unit."""
        unit = self.use(tag).unit
        for span in self._spans():
            stretch = _stretch(span, from_ms, to_ms)
            for p in self._source.points(tag, stretch):
                use = self.tags.use(p.plant, tag)
                if use is None or use.unit != unit:
                    continue
                for at, value, reason in zip(p.at_ms, p.values, p.reasons, strict=True):
                    yield Sample(at + span.shift_ms, use.read(value), reason)

    def trend(self, tag: str, from_ms: int, to_ms: int, points: int) -> Trend:
        """At most `points` stretches with the figures of each: no peak is hidden between them."""
        use = self.use(tag)
        buckets = fitting(from_ms, to_ms, points, self.zone())
        found = self._figures(tag, use.unit, from_ms, to_ms, buckets)
        return Trend(tag, use.unit, use.kind, tuple(_bucket(buckets, i, f, from_ms, to_ms) for i, f in found))

    def aligned(
        self, tags: Sequence[str], from_ms: int, to_ms: int, step_ms: int
    ) -> Iterator[tuple[int, int, tuple[Figures | None, ...]]]:
        """Several tags on one grid: begin and end of each stretch that holds a reading, and the figures of each tag.

        The grid counts from 1970 UTC; whole minutes are quick, whole hours quicker.
        """
        return self._grid(tags, from_ms, to_ms, Even(step_ms))

    def hours(
        self, tags: Sequence[str], from_ms: int, to_ms: int
    ) -> Iterator[tuple[int, int, tuple[Figures | None, ...]]]:
        """The figures of each hour."""
        return self._grid(tags, from_ms, to_ms, Even(HOUR_MS))

    def days(
        self, tags: Sequence[str], from_ms: int, to_ms: int
    ) -> Iterator[tuple[int, int, tuple[Figures | None, ...]]]:
        """The figures of each day of the plant's calendar."""
        return self._grid(tags, from_ms, to_ms, Days(self.zone()))

    def whole(self, tag: str, from_ms: int, to_ms: int) -> Figures | None:
        """The figures of a time as a whole; None when nothing was read in it."""
        total: Figures | None = None
        for _, f in self._figures(tag, self.use(tag).unit, from_ms, to_ms, Days(self.zone())):
            total = f if total is None else total.then(f)
        return total

    # ------------------------------------------------------------------ how it is answered

    def _grid(
        self, tags: Sequence[str], from_ms: int, to_ms: int, buckets: Buckets
    ) -> Iterator[tuple[int, int, tuple[Figures | None, ...]]]:
        units = [self.use(t).unit for t in tags]
        held = self._held(from_ms, to_ms)
        if held is None:
            return
        low, high = held
        index = buckets.index(low)
        while (begin := buckets.begin(index)) < high:
            end = buckets.begin(index + GRID)
            a, b = max(low, begin), min(high, end)
            columns = [dict(self._figures(t, u, a, b, buckets)) for t, u in zip(tags, units, strict=True)]
            for i in sorted(set().union(*columns)):
                ends = max(buckets.begin(i), from_ms), min(buckets.begin(i + 1), to_ms)
                yield (*ends, tuple(c.get(i) for c in columns))
            index += GRID

    def _held(self, from_ms: int, to_ms: int) -> tuple[int, int] | None:
        """The part of a time in which there can be readings, as far as that is quickly told."""
        segments = {s.segment: s for s in self.reader.clock_segments()}
        spans = self._spans()
        last = self.reader.last()
        if not spans or last is None:
            return None
        ends = [segments[s.segment].at_ms + s.shift_ms for s in spans]
        length = [
            (segments[b.segment].elapsed_ms if b else last.elapsed_ms) - segments[a.segment].elapsed_ms
            for a, b in zip(spans, [*spans[1:], None], strict=True)
        ]
        low = min(ends) - DAY_MS
        high = max(e + n for e, n in zip(ends, length, strict=True)) + DAY_MS
        low, high = max(from_ms, low), min(to_ms, high)
        return (low, high) if low < high else None

    def _figures(self, tag: str, unit: str, from_ms: int, to_ms: int, buckets: Buckets) -> list[tuple[int, Figures]]:
        """Stretches by index, those that hold a reading."""
        found: dict[int, Figures] = {}
        for span in self._spans():
            stretch = _stretch(span, from_ms, to_ms)
            ask = _Ask(tag, unit, span.shift_ms, buckets)
            for index, f in self._cover(ask, buckets.level, stretch):
                before = found.get(index)
                found[index] = f if before is None else before.then(f)
        return sorted(found.items(), key=lambda pair: pair[0])

    def _cover(self, ask: _Ask, level: int, stretch: Stretch) -> Iterator[tuple[int, Figures]]:
        """A stretch by roll-ups of a level, and what they leave by the next shorter ones, in the order of groups."""
        if level < 0:
            yield from self._readings(ask, stretch)
            return
        at, last = stretch.first, stretch.last
        for part in self._rolled.slices(level, ask.tag, ask.unit, stretch):
            i, n = 0, len(part.first)
            while i < n:
                if part.begin[i] >= stretch.to_ms:
                    last = part.first[i] - 1
                    n = i  # and what follows begins later still
                    break
                if part.first[i] > at:  # what nothing of this level covers
                    yield from self._cover(ask, level - 1, replace(stretch, first=at, last=part.first[i] - 1))
                j = _whole(ask, stretch, part, i)
                if j > i:
                    if part.told is not None:
                        yield from self._joined(ask, part, i, j)
                else:
                    j = i + 1
                    if part.end[i] > stretch.from_ms:
                        yield from self._cover(ask, level - 1, replace(stretch, first=part.first[i], last=part.last[i]))
                at, i = part.last[j - 1] + 1, j
            if n < len(part.first):
                break
        if at <= last:
            yield from self._cover(ask, level - 1, replace(stretch, first=at, last=last))

    def _joined(self, ask: _Ask, part: Slice, i: int, j: int) -> Iterator[tuple[int, Figures]]:
        """Rows `i` to before `j` of a slice, which lie whole in the stretches they begin in, joined by stretch."""
        use = self.tags.use(part.plant, ask.tag)
        assert use is not None
        assert part.told is not None
        where = ask.buckets.indices(part.begin[i:j], ask.shift_ms)
        rows = part.told[i:j]
        cuts = [0, *(k for k in range(1, len(where)) if where[k] != where[k - 1]), len(where)]
        if None not in rows and all(t[6] for t in rows):  # type: ignore[index]
            seen, least, greatest, first, last, total, count, good = zip(*rows, strict=True)
            for a, b in pairwise(cuts):
                counts = sum(seen[a:b]), sum(count[a:b]), sum(good[a:b])
                ends = min(least[a:b]), max(greatest[a:b]), first[a], last[b - 1]
                yield where[a], use.figures(*counts, *ends, sum(total[a:b]))
            return
        for a, b in pairwise(cuts):
            told = [t for t in rows[a:b] if t is not None and t[0]]
            if told:
                yield where[a], _figures_of(use, told)

    def _readings(self, ask: _Ask, stretch: Stretch) -> Iterator[tuple[int, Figures]]:
        index = ask.buckets.index
        for p in self._source.points(ask.tag, stretch):
            use = self.tags.use(p.plant, ask.tag)
            if use is None or use.unit != ask.unit:
                continue
            begin, n = 0, len(p.at_ms)
            while begin < n:
                i, end = index(p.at_ms[begin] + ask.shift_ms), begin + 1
                while end < n and index(p.at_ms[end] + ask.shift_ms) == i:
                    end += 1
                values = [use.read(v) for v in p.values[begin:end]]
                yield i, of_readings(values, p.reasons[begin:end])
                begin = end

    def _spans(self) -> list[Span]:
        return self.reader.spans()


@dataclass(frozen=True, slots=True)
class _Ask:
    tag: str
    unit: str
    shift_ms: int
    buckets: Buckets

    def even(self, part: Slice) -> bool:
        """Does each row of a slice lie whole in one bucket, as its length and its begin tell?"""
        length = part.end[0] - part.begin[0]
        return isinstance(self.buckets, Even) and self.buckets.holds_whole(length, self.shift_ms)


def _whole(ask: _Ask, stretch: Stretch, part: Slice, i: int) -> int:
    """From row `i` on, the end of the rows without a hole between them that lie whole in what is asked and in one of
    the buckets each."""
    first, last, begin, end = part.first, part.last, part.begin, part.end
    index, shift = ask.buckets.index, ask.shift_ms
    n = len(first)
    if begin[i] >= stretch.from_ms and ask.even(part) and end[-1] <= stretch.to_ms and _follow(part, i):
        return n
    j = i
    while (
        j < n
        and begin[j] >= stretch.from_ms
        and end[j] <= stretch.to_ms
        and (j == i or first[j] == last[j - 1] + 1)
        and index(begin[j] + shift) == index(end[j] - 1 + shift)
    ):
        j += 1
    return j


def _follow(part: Slice, i: int) -> bool:
    """Do the rows from `i` on follow each other without a hole?"""
    return part.first[i + 1 :] == [n + 1 for n in part.last[i:-1]]


def _figures_of(use: Use, rows: list[Told]) -> Figures:
    if len(rows) == 1:
        seen, least, greatest, first, last, total, count, good = rows[0]
        return use.figures(seen, count, good, least, greatest, first, last, total)
    seen, least, greatest, first, last, total, count, good = zip(*rows, strict=True)
    if 0 in count:
        kept = [r for r in rows if r[6]]
        if not kept:
            return Figures(sum(seen), 0, 0, 0.0, 0.0, 0.0, 0.0, 0.0)
        _, least, greatest, first, last, total, count, good = zip(*kept, strict=True)
    ends = (min(least), max(greatest), first[0], last[-1])
    return use.figures(sum(seen), sum(count), sum(good), *ends, sum(total))


def _stretch(span: Span, from_ms: int, to_ms: int) -> Stretch:
    return Stretch(span.first, span.last, from_ms - span.shift_ms, to_ms - span.shift_ms)


def _bucket(buckets: Buckets, index: int, f: Figures, from_ms: int, to_ms: int) -> Bucket:
    return Bucket(max(buckets.begin(index), from_ms), min(buckets.begin(index + 1), to_ms), f)
