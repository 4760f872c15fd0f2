"""The dates a reader shows: as they were written, moved by what was later found out about the clock.

Pure. May import: this room's records. Counts, groups and journal stay as they were stored, and so does what the engine
is given again; only what is shown to people is moved. A segment's newest correction holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from daemon.store.records import ClockCorrection, ClockSegment, StoredGroup

END = (1 << 63) - 1


@dataclass(frozen=True, slots=True)
class Span:
    """Groups `first` to `last`, all of one clock segment; each date in them is to be moved by `shift_ms`."""

    segment: int
    first: int
    last: int
    shift_ms: int


def shifts(corrections: Sequence[ClockCorrection]) -> dict[int, int]:
    """By how many ms the dates of each corrected segment are to be moved; 0 where a correction was taken back."""
    return {c.segment: c.shift_ms for c in corrections}


def spans(segments: Sequence[ClockSegment], corrections: Sequence[ClockCorrection]) -> list[Span]:
    """The groups of each segment that has any, in order."""
    moved = shifts(corrections)
    begun = sorted((s.first_group, s.segment) for s in segments if s.first_group is not None)
    ends = [*(first - 1 for first, _ in begun[1:]), END]
    return [
        Span(segment, first, last, moved.get(segment, 0))
        for (first, segment), last in zip(begun, ends[: len(begun)], strict=True)
    ]


def moved(stored: StoredGroup, shift_ms: int) -> StoredGroup:
    """A stored group with its dates and those of its journal moved."""
    if not shift_ms:
        return stored
    return replace(
        stored,
        group=replace(stored.group, at_ms=stored.group.at_ms + shift_ms),
        journal=tuple(replace(e, at_ms=e.at_ms + shift_ms) for e in stored.journal),
        moved_ms=shift_ms,
    )
