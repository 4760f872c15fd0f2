"""Raw counts of a stretch of the demo plant, as its modules would have served them, without a bus in between.

For tests, replays and benchmarks. The columns and the file are those that `waterside replay` reads.
"""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from drivers.demo.house import House
from drivers.demo.modules import CHANNELS, Count, silent
from drivers.demo.scenario import Event

COLUMNS: Final[tuple[str, ...]] = tuple(p.ref for p in CHANNELS)
"""`module.channel` in the order of a row's counts (the order of the plant file)."""


@dataclass(frozen=True, slots=True)
class Row:
    """One poll of all modules. A count is None where the module gave no answer."""

    at_ms: int  # UTC since 1970
    counts: tuple[Count | None, ...]


def row(house: House) -> Row:
    """The counts at the plant's present second."""
    quiet = {m for m in house.acts.silent if silent(house, m)}
    return Row(
        house.start_ms + house.seconds * 1000,
        tuple(None if p.module in quiet else p.count(house) for p in CHANNELS),
    )


def record(
    start_ms: int, hours: float, every_s: int = 10, seed: int = 1, events: tuple[Event, ...] | None = None
) -> Iterator[Row]:
    """Rows every so many plant seconds, the first at `start_ms`. The same arguments give the same rows.

    `events` stand in for the demo's own schedule: `()` is a plant to which nothing happens.
    """
    house = House(start_ms, seed, events)
    for second in range(0, round(hours * 3600) + 1, every_s):
        house.advance(second)
        yield row(house)


def write_csv(path: Path, rows: Iterable[Row]) -> int:
    """Write rows as a recording: `time` in ms UTC, then a column per channel; gzip when the name ends in .gz.

    An empty cell is no answer. Returns the number of rows.
    """
    n = 0
    with path.open("wb") as raw:
        packed = gzip.GzipFile("", "wb", fileobj=raw, mtime=0) if path.suffix == ".gz" else raw
        with io.TextIOWrapper(packed, "utf-8", newline="") as text:
            out = csv.writer(text, lineterminator="\n")
            out.writerow(("time", *COLUMNS))
            for r in rows:
                out.writerow((r.at_ms, *("" if c is None else repr(c) for c in r.counts)))
                n += 1
    return n
