"""`trend`: a year of one tag in 2000 points with exact extremes, beside DuckDB over the same months of Parquet.

A store of a year (16 analogue, 8 contacts, 4 counters every 10 s) is made in bulk, its first month put away into the
archive; and the same polls as Parquet files, one a month, written by DuckDB in time order. Both are asked for the same
stretches of one signal: least, greatest, first, last, mean and count of each. Ours opens the store, asks the query room
and closes it; DuckDB connects, asks and closes, in the same process and in turns. Every figure of ours is held against
DuckDB's. Asked is the whole year, and once more a time that begins and ends within a minute: then both ends are
readings, one of them out of the archive. Memory is that of a process of its own that only asks ours, at its highest.
Goals: the year in at most 0.5 times DuckDB's time, under 100 MB.
"""

from __future__ import annotations

import asyncio
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import duckdb
import numpy as np

from daemon.store.history import Trend
from tests.bench.signals import ANALOGUE, CONTACTS, COUNTERS, T0_MS, Chunk
from tests.bench.trend_asks import ask
from tests.bench.years import fill
from tests.support.put_away import put_all

GOAL, AIM, MEMORY_MB = 0.5, 0.15, 100.0
POINTS: Final = 2000
PUT_AWAY: Final = 31  # days
CHANNEL: Final = 2
TAG: Final = f"signal_{CHANNEL}"
DAY_MS: Final = 86_400_000
ODD_MS: Final = 1_234_567  # neither end lies on a minute


def main(quick: bool) -> dict[str, object]:
    days, rounds = (45, 5) if quick else (365, 11)
    with tempfile.TemporaryDirectory() as folder:
        store, months = Path(folder) / "store.db", Path(folder) / "months"
        begun = time.perf_counter()
        _make(store, months, days)
        print(f"{days} days made in {time.perf_counter() - begun:.0f} s", file=sys.stderr)
        whole = _turns(store, months, T0_MS, T0_MS + days * DAY_MS, rounds)
        odd = _turns(store, months, T0_MS + ODD_MS, T0_MS + days * DAY_MS - ODD_MS, rounds)
        memory = _memory(store, T0_MS + ODD_MS, T0_MS + days * DAY_MS)
        size = store.stat().st_size
        rollups = _rollup_bytes(store)
    same = whole.same and odd.same
    return {
        "passed": whole.ratio <= GOAL and same and memory < MEMORY_MB,
        "trend_ratio": round(whole.ratio, 3),
        "trend_ms": round(statistics.median(whole.ours) * 1000, 1),
        "duckdb_ms": round(statistics.median(whole.theirs) * 1000, 1),
        "odd_ends_ratio": round(odd.ratio, 3),
        "odd_ends_ms": round(statistics.median(odd.ours) * 1000, 1),
        "extremes_equal": same,
        "points": whole.points,
        "memory_mb": round(memory, 1),
        "days": days,
        "store_bytes_a_day": round(size / days),
        "rollup_bytes_a_day": {k: round(v / days) for k, v in rollups.items()},
    }


@dataclass(frozen=True, slots=True)
class _Turns:
    """Seconds of each round on both sides, and whether all figures were equal."""

    ours: list[float]
    theirs: list[float]
    same: bool
    points: int

    @property
    def ratio(self) -> float:
        return statistics.median(a / b for a, b in zip(self.ours, self.theirs, strict=True))


def _turns(store: Path, months: Path, from_ms: int, to_ms: int, rounds: int) -> _Turns:
    ours: list[float] = []
    theirs: list[float] = []
    for n in range(rounds + 1):
        before = time.perf_counter()
        trend = ask(store, TAG, from_ms, to_ms, POINTS)
        middle = time.perf_counter()
        rows = _duck(months, trend, from_ms, to_ms)
        after = time.perf_counter()
        if n:  # the first round warms the disk's cache
            ours.append(middle - before)
            theirs.append(after - middle)
    return _Turns(ours, theirs, _same(trend, rows), len(trend.buckets))


def _make(store: Path, months: Path, days: int) -> None:
    months.mkdir()
    held: list[Chunk] = []

    def write() -> None:
        columns: dict[str, Any] = {"at_ms": np.concatenate([c.at_ms for c in held])}
        for name, width in (("analogue", ANALOGUE), ("contacts", CONTACTS), ("counters", COUNTERS)):
            whole = np.concatenate([getattr(c, name) for c in held])
            columns |= {f"{name}_{k}": np.ascontiguousarray(whole[:, k]) for k in range(width)}
        month = _month(int(held[0].at_ms[0]))
        with duckdb.connect() as db:
            db.register("polls", columns)
            db.execute(f"COPY (SELECT * FROM polls) TO '{months / month}.parquet' (FORMAT parquet, COMPRESSION zstd)")
        held.clear()

    def each(chunk: Chunk) -> None:
        if held and _month(int(held[0].at_ms[0])) != _month(int(chunk.at_ms[0])):
            write()
        held.append(chunk)

    fill(store, days, each=each)
    write()
    if not asyncio.run(put_all(store, (days - PUT_AWAY) * DAY_MS)):
        raise RuntimeError("nothing was put away")


def _month(at_ms: int) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, UTC):%Y-%m}"


def _duck(months: Path, trend: Trend, from_ms: int, to_ms: int) -> list[tuple[Any, ...]]:
    """The same stretches: of equal length but for the first and the last."""
    step = trend.buckets[1].to_ms - trend.buckets[1].from_ms
    column = f"analogue_{CHANNEL}"
    sql = (
        f"SELECT at_ms // {step} AS stretch, min({column}), max({column}), arg_min({column}, at_ms), "
        f"arg_max({column}, at_ms), avg({column}), count(*) FROM read_parquet('{months}/*.parquet') "
        f"WHERE at_ms >= {from_ms} AND at_ms < {to_ms} GROUP BY stretch ORDER BY stretch"
    )
    with duckdb.connect() as db:
        return db.execute(sql).fetchall()


def _same(trend: Trend, rows: list[tuple[Any, ...]]) -> bool:
    """Are least, greatest, first, last and count those of DuckDB, to the bit, and the mean but for rounding?"""

    def value(count: int) -> float:
        zero, gain = 65535 / 20 * 4, 100.0 * (CHANNEL + 1) / 16 * (20 / 65535)
        return (count - zero) * gain

    if len(rows) != len(trend.buckets):
        return False
    for (_, least, greatest, first, last, mean, count), b in zip(rows, trend.buckets, strict=True):
        f = b.figures
        wanted = [value(least), value(greatest), value(first), value(last), value(mean)]
        got = [f.least, f.greatest, f.first, f.last, f.mean]
        if f.count != count or not np.allclose(wanted, got, rtol=1e-9, atol=1e-9):
            return False
    return True


def _memory(store: Path, from_ms: int, to_ms: int) -> float:
    """Highest resident memory, MB, of a process that asks once."""
    told = subprocess.run(
        [sys.executable, "-m", "tests.bench.trend_asks", str(store), TAG, str(from_ms), str(to_ms), str(POINTS)],
        check=True,
        capture_output=True,
        text=True,
        cwd=Path(__file__).resolve().parents[2],
    )
    return float(told.stdout)


def _rollup_bytes(store: Path) -> dict[str, int]:
    import apsw

    db = apsw.Connection(str(store), flags=apsw.SQLITE_OPEN_READONLY)
    try:
        tables = ("scan_group", "rollup_minute", "rollup_hour", "rollup_day")
        return {t: int(db.execute(f"SELECT sum(length(body)) FROM {t}").fetchall()[0][0] or 0) for t in tables}
    finally:
        db.close()
