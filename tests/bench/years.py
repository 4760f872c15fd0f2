"""Long stores made quickly: rows of polls and roll-ups written in bulk, byte for byte what the service would write.

`fill` makes the bytes of whole days at once with numpy and checks some of each kind against the service's own packing.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import apsw
import numpy as np

from config.load import PlantText, loads
from daemon.core.scan import Scan
from daemon.store import rows, schema
from daemon.store.figures import FigureLayout, squeezed
from daemon.store.packing import Layout
from daemon.store.rolling import INSERT, Grid
from tests.bench.signals import ANALOGUE, CONTACTS, COUNTERS, T0_MS, Array, Chunk, Signals, plant_text

BODY: Final = np.dtype(
    [("head", "u1", 3), ("a", "<u2", ANALOGUE), ("c", "<u4", COUNTERS), ("bits", "u1")]
)  # a poll of the one module: nothing missing, every verdict good


def _figures_type() -> np.dtype[Any]:
    fields: list[tuple[str, Any]] = [("seen", "<u4")]
    for name, kind, n in (("a", "<u2", ANALOGUE), ("b", "u1", CONTACTS), ("c", "<u4", COUNTERS)):
        for k in range(n):
            fields += [
                (f"{name}{k}", np.dtype([("ends", kind, 4), ("total", "<f8"), ("count", "<u4"), ("good", "<u4")]))
            ]
    return np.dtype([*fields, ("derived", "u1", 4)])


FIGURES: Final = _figures_type()


def bodies(chunk: Chunk) -> list[bytes]:
    """What `scan_group.body` holds for each poll."""
    made = np.zeros(len(chunk.at_ms), BODY)
    made["head"][:, 2] = 3 if chunk.delay_ms is None else chunk.delay_ms
    made["a"], made["c"] = chunk.analogue, chunk.counters
    weights = 1 << np.arange(CONTACTS - 1, -1, -1)
    made["bits"] = chunk.contacts @ weights.astype(np.uint8)
    return _cut(made)


def _cut(made: Array) -> list[bytes]:
    data, size = made.tobytes(), made.dtype.itemsize
    return [data[i : i + size] for i in range(0, len(data), size)]


def figures(chunk: Chunk, starts: Array) -> Array:
    """The figures of the runs of polls that begin at `starts`."""
    made = np.zeros(len(starts), FIGURES)
    ends = np.append(starts[1:], len(chunk.at_ms)) - 1
    count = ends - starts + 1
    made["seen"] = count
    for name, values in (("a", chunk.analogue), ("b", chunk.contacts), ("c", chunk.counters)):
        for k in range(values.shape[1]):
            column, field = values[:, k], made[f"{name}{k}"]
            field["ends"][:, 0] = np.minimum.reduceat(column, starts)
            field["ends"][:, 1] = np.maximum.reduceat(column, starts)
            field["ends"][:, 2], field["ends"][:, 3] = column[starts], column[ends]
            field["total"] = np.add.reduceat(column.astype(np.float64), starts)
            field["count"] = field["good"] = count
    return made


def fill(
    path: Path,
    days: int,
    every_s: int = 10,
    *,
    polls: Callable[[int], bool] = lambda day: True,
    each: Callable[[Chunk], None] = lambda chunk: None,
) -> PlantText:
    """A store of `days` days from 2025-01-01 UTC. `polls`: of which days the polls themselves are kept."""
    source = loads(plant_text(every_s))
    db = apsw.Connection(str(path))
    db.pragma("journal_mode", "off")
    db.pragma("synchronous", 0)
    db.pragma("cache_size", -65_536)
    schema.migrate(db, str(path))
    db.execute("BEGIN")
    db.execute("INSERT INTO plant_version VALUES (1, ?, ?, ?)", (T0_MS, source.sha256, source.text))
    db.execute(f"INSERT INTO clock_segment ({rows.SEGMENT}) VALUES (1, 'run', 0, ?, 'start', 1, '')", (T0_MS,))
    grid, number, day = Grid(source.plant), 1, 0
    carried: list[Chunk] = []
    per_day = 86_400 // every_s
    signals = Signals(days * 86_400, every_s)
    for chunk in signals.chunks(per_day):
        n = len(chunk.at_ms)
        numbers = np.arange(number, number + n)
        if polls(day):
            db.executemany(
                rows.INSERT_GROUP,
                (
                    (k, 1, at - T0_MS, at, 0, 1, body, b"")
                    for k, at, body in zip(numbers.tolist(), chunk.at_ms.tolist(), bodies(chunk), strict=True)
                ),
            )
        for level, step in ((0, 60_000), (1, 3_600_000)):
            roll(db, level, chunk, numbers, (chunk.at_ms - T0_MS) // step * step + T0_MS)
        carried.append(chunk)
        each(chunk)
        number, day = number + n, day + 1
    _days(db, carried, grid)
    # what is open at the end has no row yet
    db.execute("DELETE FROM rollup_minute WHERE last_group = ?", (number - 1,))
    db.execute("DELETE FROM rollup_hour WHERE last_group = ?", (number - 1,))
    db.execute("DELETE FROM rollup_day WHERE last_group = ?", (number - 1,))
    db.execute("COMMIT")
    db.pragma("journal_mode", "wal")
    db.close()
    check(path, source, carried[0])
    return source


def roll(db: apsw.Connection, level: int, chunk: Chunk, numbers: Array, begins: Array) -> None:
    starts = np.flatnonzero(np.diff(begins, prepend=begins[0] - 1))
    lasts = np.append(starts[1:], len(begins)) - 1
    made = _cut(figures(chunk, starts))
    if level == 0:
        made = [squeezed(b) for b in made]
    db.executemany(
        INSERT[level],
        (
            (a, b, 1, 1, at, body)
            for a, b, at, body in zip(
                numbers[starts].tolist(), numbers[lasts].tolist(), begins[starts].tolist(), made, strict=True
            )
        ),
    )


def _days(db: apsw.Connection, chunks: list[Chunk], grid: Grid) -> None:
    """Days of the plant's calendar, which are not those of the chunks: from two of them each."""
    number = 1
    held: list[tuple[Chunk, Array]] = []
    for chunk in chunks:
        held.append((chunk, np.arange(number, number + len(chunk.at_ms))))
        number += len(chunk.at_ms)
        if len(held) == 2 or len(chunks) == 1:
            roll_days(db, held, grid)
            held = held[-1:]


def roll_days(db: apsw.Connection, held: list[tuple[Chunk, Array]], grid: Grid) -> None:
    at_ms = np.concatenate([c.at_ms for c, _ in held])
    joined = Chunk(
        at_ms,
        np.concatenate([c.analogue for c, _ in held]),
        np.concatenate([c.contacts for c, _ in held]),
        np.concatenate([c.counters for c, _ in held]),
    )
    numbers = np.concatenate([n for _, n in held])
    hours = at_ms // 3_600_000
    known = {int(h): grid.begins(int(h) * 3_600_000)[2] for h in np.unique(hours)}
    begins = np.array([known[int(h)] for h in hours])
    first = int(numbers[0])
    have = db.execute("SELECT coalesce(max(last_group), 0) FROM rollup_day").fetchall()[0][0]
    after = begins > begins[0] if have >= first else np.ones(len(begins), bool)
    whole = after & (begins < begins[-1])
    if first > 1 or have:
        whole &= numbers > have
    if whole.any():
        part = Chunk(at_ms[whole], joined.analogue[whole], joined.contacts[whole], joined.counters[whole])
        roll(db, 2, part, numbers[whole], begins[whole])


def check(path: Path, source: PlantText, chunk: Chunk) -> None:
    """Rows are what the service's own packing makes of the same polls."""
    layout, made = Layout.of(source.plant), FigureLayout(source.plant)
    db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    scans = [_scan(chunk, k) for k in range(6 * 60)]
    good = ((0,) * (ANALOGUE + CONTACTS + COUNTERS),)
    stored = db.execute("SELECT body FROM scan_group WHERE number BETWEEN 1 AND 360 ORDER BY number").fetchall()
    for scan, (body,) in zip(scans, stored, strict=False):
        assert layout.pack((scan,), good) == body
    for level, table in enumerate(("rollup_minute", "rollup_hour")):
        for a, b, body in db.execute(f"SELECT first_group, last_group, body FROM {table} LIMIT 3").fetchall():
            some = [_scan(chunk, k) for k in range(a - 1, b)]
            assert made.pack(made.reckon([(s,) for s in some], [good] * len(some), [()] * len(some)), level) == body
    db.close()


def _scan(chunk: Chunk, k: int) -> Scan:
    counts = (*chunk.analogue[k].tolist(), *chunk.contacts[k].tolist(), *chunk.counters[k].tolist())
    return Scan(0, counts, (0,) * len(counts), 3 if chunk.delay_ms is None else int(chunk.delay_ms[k]))
