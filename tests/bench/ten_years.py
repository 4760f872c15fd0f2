"""`ten-years`: ten years of polls every 10 s made, put away month by month, and asked; the times and the sizes.

16 analogue signals, 8 contacts, 4 counters. Polls and roll-ups are written in bulk, byte for byte what the service
would write (`years.py`); everything after that is the service's own: closed days go into files, are proven, recorded
and removed, minutes are thinned. Then the query room is asked, and what it gives for some days is held against the
signals they were made from. `--quick` is four months.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import apsw
import numpy as np

from config.load import loads
from daemon.app.doctor.archive import look_at_archive
from daemon.app.doctor.report import Report
from daemon.store import rows, schema
from daemon.store.archive.files import archive_folder
from daemon.store.history import History
from daemon.store.reader import Reader
from daemon.store.rolling import Grid
from daemon.store.writer import Writer
from tests.bench.signals import CHANNELS, T0_MS, Chunk, Signals, plant_text
from tests.bench.years import bodies, roll, roll_days
from tests.support.put_away import put_all

T = TypeVar("T")

EVERY_S: Final = 10
DAY_MS: Final = 86_400_000
HOT_MS: Final = 45 * DAY_MS
MINUTES: Final = 92 * 1440
MONTH: Final = 30
CHANNEL: Final = 2
TAG: Final = f"signal_{CHANNEL}"


def main(quick: bool) -> dict[str, object]:
    days = 120 if quick else 3652
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "waterside.db"
        kept = {days // 10: None, days // 3: None, days - 20: None}
        made = _make(store, days, kept)
        return {**made, **_ask(store, days, kept)}


# ------------------------------------------------------------------ making


def _make(store: Path, days: int, kept: dict[int, Chunk | None]) -> dict[str, object]:
    source = loads(plant_text(EVERY_S))
    db = apsw.Connection(str(store))
    schema.migrate(db, str(store))
    db.execute("INSERT INTO plant_version VALUES (1, ?, ?, ?)", (T0_MS, source.sha256, source.text))
    db.execute(f"INSERT INTO clock_segment ({rows.SEGMENT}) VALUES (1, 'run', 0, ?, 'start', 1, '')", (T0_MS,))
    db.close()
    grid, number, held = Grid(source.plant), 1, []
    making = putting = 0.0
    largest = 0
    begun = time.perf_counter()
    db = _open(store)
    for day, chunk in enumerate(Signals(days * 86_400, EVERY_S).chunks(86_400 // EVERY_S)):
        if day in kept:
            kept[day] = chunk
        number = _day(db, grid, chunk, number, held)
        if day % MONTH == MONTH - 1 or day == days - 1:
            db.execute("COMMIT")
            db.close()
            now = time.perf_counter()
            making += now - begun
            asyncio.run(_put_away(store))
            begun = time.perf_counter()
            putting += begun - now
            largest = max(largest, store.stat().st_size)
            print(f"day {day + 1} of {days}: made {making:.0f} s, put away {putting:.0f} s", file=sys.stderr)
            db = _open(store)
    db.execute("COMMIT")
    db.close()
    files = [p for p in archive_folder(store).iterdir() if p.is_file()]
    size = sum(p.stat().st_size for p in files)
    with Reader(store) as reader:
        groups = sum(f.groups for f in reader.archive())
        count = len(reader.archive())
    return {
        "days": days,
        "polls": number - 1,
        "readings": (number - 1) * CHANNELS,
        "made_s": round(making),
        "put_away_s": round(putting),
        "put_away_us_a_poll": round(putting / groups * 1e6, 1),
        "archive_files": count,
        "archive_mb": round(size / 1e6, 1),
        "archive_bytes_per_sample": round(size / groups / CHANNELS, 4),
        "store_mb": round(store.stat().st_size / 1e6, 1),
        "largest_store_mb": round(largest / 1e6, 1),
    }


def _open(store: Path) -> apsw.Connection:
    db = apsw.Connection(str(store))
    db.pragma("journal_mode", "wal")
    db.pragma("synchronous", 0)
    db.pragma("cache_size", -65_536)
    db.execute("BEGIN")
    return db


def _day(db: apsw.Connection, grid: Grid, chunk: Chunk, number: int, held: list[Any]) -> int:
    """Write one day; the number of the next poll."""
    n = len(chunk.at_ms)
    numbers = np.arange(number, number + n)
    db.executemany(
        rows.INSERT_GROUP,
        (
            (k, 1, at - T0_MS, at, 0, 1, body, b"")
            for k, at, body in zip(numbers.tolist(), chunk.at_ms.tolist(), bodies(chunk), strict=True)
        ),
    )
    for level, step in ((0, 60_000), (1, 3_600_000)):
        roll(db, level, chunk, numbers, (chunk.at_ms - T0_MS) // step * step + T0_MS)
    held.append((chunk, numbers))
    if len(held) == 2:
        roll_days(db, held, grid)
        held.pop(0)
    return number + n


async def _put_away(store: Path) -> None:
    await put_all(store, HOT_MS, least=60_000)
    writer = await Writer.open(store, owner="Quillmarsh Creamery", reserve_bytes=0)
    try:
        while await writer.thin_minutes(MINUTES):
            pass
    finally:
        await writer.aclose()


# ------------------------------------------------------------------ asking


def _ask(store: Path, days: int, kept: dict[int, Chunk | None]) -> dict[str, object]:
    end = T0_MS + days * DAY_MS
    year = min(365, days // 2) * DAY_MS
    middle = T0_MS + days // 2 * DAY_MS
    asked: dict[str, tuple[Callable[[History], Any]]] = {
        "trend_of_all_ms": (lambda h: h.trend(TAG, T0_MS + 1234, end - 1234, 2000),),
        "trend_of_a_year_ms": (lambda h: h.trend(TAG, middle - year // 2 + 1234, middle + year // 2, 2000),),
        "trend_of_a_month_ms": (lambda h: h.trend(TAG, middle, middle + 30 * DAY_MS, 2000),),
        "readings_of_a_day_ms": (lambda h: list(h.range(TAG, middle, middle + DAY_MS)),),
        "readings_of_a_month_ms": (lambda h: sum(1 for _ in h.range(TAG, middle, middle + 30 * DAY_MS)),),
        "polls_of_an_hour_ms": (lambda h: list(h.reader.groups(middle, middle + 3_600_000)),),
    }
    figures: dict[str, object] = {}
    for name, (question,) in asked.items():
        took, _ = _timed(store, question)
        figures[name] = round(took * 1000, 1)
    right = all(_timed(store, lambda h, d=day, c=chunk: _as_made(h, d, c))[1] for day, chunk in kept.items() if chunk)
    report = Report()
    begun = time.perf_counter()
    with Reader(store) as reader:
        look_at_archive(report, reader, None)
    figures["every_file_checked_s"] = round(time.perf_counter() - begun, 1)
    sound = not any(f.level == "error" for f in report.findings)
    figures["as_made"] = right
    figures["files_whole"] = sound
    return {"passed": right and sound and None not in kept.values(), **figures}


def _timed(store: Path, question: Callable[[History], T]) -> tuple[float, T]:
    """Seconds from opening the store to the answer."""
    begun = time.perf_counter()
    with Reader(store) as reader:
        answer = question(History(reader))
    return time.perf_counter() - begun, answer


def _as_made(history: History, day: int, chunk: Chunk) -> bool:
    """Every poll of a day is what it was made from, count by count."""
    begin = T0_MS + day * DAY_MS
    groups = list(history.reader.groups(begin, begin + DAY_MS))
    counts = np.array([g.group.scans[0].counts for g in groups], np.int64)
    wanted = np.hstack([chunk.analogue.astype(np.int64), chunk.contacts, chunk.counters])
    times = np.array([g.group.at_ms for g in groups])
    delays = np.array([g.group.scans[0].delay_ms for g in groups])
    return bool(
        np.array_equal(counts, wanted) and np.array_equal(times, chunk.at_ms) and np.array_equal(delays, chunk.delay_ms)
    )
