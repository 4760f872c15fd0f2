"""Which alarms would appear, vanish or move under another plant file. Pure but for the file it writes.

A stretch is one alarm from its raise to what ended it. Stretches of the same alarm (target, kind, name) under the two
files belong together when they overlap or begin within a quarter of an hour of each other; they have moved when they
begin or end at another time. May import: daemon.core, this room.
"""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from daemon.core.outcome import Entry
from daemon.report.files import replacing
from daemon.report.recording import time_text

NEAR_MS: Final = 15 * 60_000
ENDS: Final = frozenset({"returned", "suppressed", "out_of_service", "removed"})
COLUMNS: Final = (
    "what", "target", "kind", "name", "priority", "raised", "ended", "raised_by_other", "ended_by_other", "value",
    "limit", "limit_by_other", "evidence",
)  # fmt: skip

Identity = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Stretch:
    """One alarm from its raise to its end (`to_ms` None: it still stood at the end)."""

    raised: Entry
    to_ms: int | None

    @property
    def from_ms(self) -> int:
        return self.raised.at_ms


def stretches(journal: Iterable[Entry]) -> dict[Identity, list[Stretch]]:
    """The stretches of each alarm, in order."""
    out: dict[Identity, list[Stretch]] = defaultdict(list)
    standing: dict[Identity, Entry] = {}
    for e in journal:
        identity = e.target, e.kind, e.name
        if e.event == "raised":
            if (before := standing.pop(identity, None)) is not None:
                out[identity].append(Stretch(before, e.at_ms))
            standing[identity] = e
        elif e.event in ENDS and (before := standing.pop(identity, None)) is not None:
            out[identity].append(Stretch(before, e.at_ms))
    for identity, e in standing.items():
        out[identity].append(Stretch(e, None))
    return out


@dataclass(frozen=True, slots=True)
class Difference:
    """`ours` and `other`: the stretch under either file, one of them None where it appears or vanishes."""

    ours: Stretch | None
    other: Stretch | None

    @property
    def what(self) -> str:
        """appears, vanishes, moves or stays"""
        if self.ours is None:
            return "appears"
        if self.other is None:
            return "vanishes"
        same = (self.ours.from_ms, self.ours.to_ms) == (self.other.from_ms, self.other.to_ms)
        return "stays" if same else "moves"

    @property
    def at_ms(self) -> int:
        """When it begins, under whichever file is first."""
        return min(s.from_ms for s in (self.ours, self.other) if s is not None)


def compare(ours: Iterable[Entry], other: Iterable[Entry]) -> list[Difference]:
    """Every alarm of either journal, paired, by time."""
    a, b = stretches(ours), stretches(other)
    out = [d for identity in {**a, **b} for d in _paired(a.get(identity, []), b.get(identity, []))]
    return sorted(out, key=lambda d: d.at_ms)


def _paired(a: list[Stretch], b: list[Stretch]) -> Iterator[Difference]:
    i = j = 0
    while i < len(a) and j < len(b):
        if _together(a[i], b[j]):
            yield Difference(a[i], b[j])
            i, j = i + 1, j + 1
        elif a[i].from_ms <= b[j].from_ms:
            yield Difference(a[i], None)
            i += 1
        else:
            yield Difference(None, b[j])
            j += 1
    yield from (Difference(x, None) for x in a[i:])
    yield from (Difference(None, x) for x in b[j:])


def _together(a: Stretch, b: Stretch) -> bool:
    begun = max(a.from_ms, b.from_ms)
    overlap = all(s.to_ms is None or s.to_ms >= begun for s in (a, b))
    return overlap or abs(a.from_ms - b.from_ms) <= NEAR_MS


def against_file(ours: Iterable[Entry], other: Iterable[Entry], path: Path) -> dict[str, Any]:
    """Write the differences, a line each, and return their numbers by alarm."""
    found = compare(ours, other)
    counts: dict[str, dict[str, int]] = {}
    with replacing(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for d in found:
            e = (d.ours or d.other or found[0].ours).raised  # type: ignore[union-attr]
            row = counts.setdefault("/".join(filter(None, (e.target, e.kind, e.name))), {})
            row[d.what] = row.get(d.what, 0) + 1
            if d.what != "stays":
                writer.writerow(_cells(d))
    return {
        **{what: sum(d.what == what for d in found) for what in ("appears", "vanishes", "moves", "stays")},
        "alarms": {k: v for k, v in sorted(counts.items()) if set(v) != {"stays"}},
    }


def _cells(d: Difference) -> tuple[str, ...]:
    one = d.ours or d.other
    assert one is not None
    e = one.raised

    def at(ms: int | None) -> str:
        return "" if ms is None else time_text(ms)

    return (
        d.what,
        e.target,
        e.kind,
        e.name,
        e.priority,
        at(d.ours.from_ms) if d.ours else "",
        at(d.ours.to_ms) if d.ours else "",
        at(d.other.from_ms) if d.other else "",
        at(d.other.to_ms) if d.other else "",
        "" if e.value is None else repr(e.value),
        _limit(d.ours),
        _limit(d.other),
        e.evidence,
    )


def _limit(s: Stretch | None) -> str:
    return "" if s is None or s.raised.limit is None else repr(s.raised.limit)
