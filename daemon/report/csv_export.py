"""Readings, blows and alarms as CSV (RFC 4180, UTF-8), each file whole or not at all.

Times are the plant's own with their offset (ISO 8601). Text that a spreadsheet would take for a formula gets an
apostrophe in front. May import: config, daemon.core, daemon.store, this room.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from config.model import Plant
from daemon.report.averages import Averages, Each
from daemon.report.days import DAY_HEADS
from daemon.report.files import replacing
from daemon.report.readings import sheet_of
from daemon.report.tables import (
    ALARM_HEADS,
    BLOW_HEADS,
    CALIBRATION_HEADS,
    MANUAL_HEADS,
    alarm_row,
    blow_row,
    calibration_row,
    manual_rows,
    site_time,
)
from daemon.store.reader import Reader


def export_csv(
    reader: Reader,
    plant: Plant,
    from_ms: int,
    to_ms: int,
    folder: Path,
    progress: Callable[[int], None] = lambda n: None,
    each: Each | None = None,
) -> list[Path]:
    """Write readings, days, blows, alarms and calibrations between two times (`from_ms` <= t < `to_ms`) as .csv.

    `each`: averages of hours or days in the place of readings.
    """
    zone = ZoneInfo(plant.plant.zone)
    if each is None:
        first = _readings(reader, plant, zone, from_ms, to_ms, folder, progress)
    else:
        averages = Averages(reader, plant, each)
        first = [_write(folder / f"averages_{each}.csv", averages.heads, averages.rows(from_ms, to_ms))]
    return [
        *first,
        _write(folder / "blows.csv", BLOW_HEADS, (blow_row(b, plant, zone) for b in reader.blows(from_ms, to_ms))),
        _write(folder / "alarms.csv", ALARM_HEADS, (alarm_row(e, plant, zone) for e in reader.journal(from_ms, to_ms))),
        _write(
            folder / "calibrations.csv",
            CALIBRATION_HEADS,
            (calibration_row(c, plant, zone) for c in reader.calibrations(from_ms, to_ms)),
        ),
        _write(folder / "manual.csv", MANUAL_HEADS, manual_rows(reader.manual(from_ms, to_ms), reader.act, zone)),
    ]


def _readings(
    reader: Reader,
    plant: Plant,
    zone: ZoneInfo,
    from_ms: int,
    to_ms: int,
    folder: Path,
    progress: Callable[[int], None],
) -> list[Path]:
    sheet = sheet_of(reader, plant, from_ms, to_ms)

    def readings() -> Iterable[list[Any]]:
        for n, row in enumerate(sheet.rows(reader, from_ms, to_ms), 1):
            if n % 1000 == 0:
                progress(n)
            yield [site_time(row.at_ms, zone), *row.cells, row.not_good]

    heads = ["time", *(c.head for c in sheet.columns), "not good"]
    return [
        _write(folder / "readings.csv", heads, readings()),
        _write(folder / "days.csv", DAY_HEADS, sheet.days.rows(reader, from_ms, to_ms)),
    ]


def _write(path: Path, heads: Iterable[str], rows: Iterable[Iterable[Any]]) -> Path:
    with replacing(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(heads)
        for row in rows:
            out.writerow([_cell(c) for c in row])
    return path


def _cell(value: Any) -> Any:
    if isinstance(value, float):
        return f"{value:.10g}"  # a total of years in gallons keeps its last gallon
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds" if value.microsecond else "seconds")
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return "" if value is None else value
