"""Where stored groups lie, as the query room sees it: the hot store, and the archive beside it, asked the same way.

Lives here: the question (`Stretch`), the answer (`Points`) and the contract both sides keep (`Source`). Pure. May
import: config, daemon.core, this room's records.

Dates in a stretch and in an answer are as they were written: moving them by what was found out about the clock later
(`dates.py`) is the query room's work, which asks for each clock segment by itself. Numbers of groups are the key that
never moves: groups `first` to `last` of a stretch belong to one segment, and inside a segment dates never go back.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from config.model import Plant
from daemon.core.scan import Count
from daemon.store.records import StoredGroup


@dataclass(frozen=True, slots=True)
class Stretch:
    """Groups numbered `first` to `last` (both included) that are dated `from_ms` <= t < `to_ms`, as written."""

    first: int
    last: int
    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True)
class Points:
    """One tag over some groups of one plant version, in order of their numbers; the three sequences go together.

    Of a channel (`raw_tags` of that version) `values` are counts as they came, None where there was none, one for each
    group that holds a scan of its module. Of a derived tag they are values in its base unit, one for each time the
    engine told one. `reasons`: the number of the reason (0 is good).
    """

    plant: int
    at_ms: Sequence[int]
    values: Sequence[Count | None]
    reasons: Sequence[int]


class Source(Protocol):
    """A run of stored groups without a hole of its own. Reads in slices; nothing stays open or grows with the answer.

    All of it raises `StoreError` and its kinds only.
    """

    def held(self) -> tuple[int, int] | None:
        """The numbers of the oldest and the newest group here, None when there is none.

        While days are being moved from one source to another both hold them; the earlier source is asked then.
        """
        ...

    def plant(self, version: int) -> Plant:
        """The plant of a version that groups here name."""
        ...

    def groups(self, stretch: Stretch) -> Iterator[StoredGroup]:
        """Groups with acts and journal, in order; dates as written."""
        ...

    def points(self, tag: str, stretch: Stretch) -> Iterator[Points]:
        """One tag by its name; nothing for groups of a plant version that does not know it.

        Some thousands of points at most in each answer.
        """
        ...
