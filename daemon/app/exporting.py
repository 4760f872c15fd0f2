"""`export`: what time is meant, which files come of it. Runs in a process of its own at low priority.

May import: daemon.report, daemon.store.
"""

from __future__ import annotations

import os
import re
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.store.errors import StoreError


class ExportError(Exception):
    """Nothing was exported; the text says why."""


_UNITS = {"m": "minutes", "h": "hours", "d": "days"}


def instant_ms(text: str, zone: ZoneInfo, now_ms: int) -> int:
    """ "now", "-24h" (before `now_ms`), or a date or date and time on the plant's clock, as ms UTC. ExportError."""
    text = text.strip()
    if text == "now":
        return now_ms
    if m := re.fullmatch(r"-(\d+)([mhd])", text):
        return now_ms - round(timedelta(**{_UNITS[m[2]]: int(m[1])}).total_seconds() * 1000)
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise ExportError(
            f'A time wants "2026-11-20", "2026-11-20 06:00", "-24h", "-7d" or "now"; found {text!r}.'
        ) from None
    if found.tzinfo is None:
        found = found.replace(tzinfo=zone)
    return round(found.astimezone(UTC).timestamp() * 1000)


def export_files(store: Path, start: str, end: str, form: str, folder: Path) -> list[Path]:
    """Export a stretch of a store; "now" is its newest group. Returns the files written. ExportError."""
    from daemon.store.reader import Reader

    os.nice(10)
    try:
        with Reader(store) as reader:
            last = reader.last()
            if last is None:
                raise ExportError(f"{store} holds nothing yet.")
            plant = reader.plant(last.plant)
            zone = ZoneInfo(plant.plant.zone)
            a, b = instant_ms(start, zone, last.at_ms), instant_ms(end, zone, last.at_ms)
            if a > b:
                raise ExportError(f"--from {start} is later than --to {end}.")
            folder.mkdir(parents=True, exist_ok=True)
            if form == "csv":
                from daemon.report.csv_export import export_csv

                return export_csv(reader, plant, a, b, folder, _progress)
            if form == "raw":
                from daemon.report.raw_export import export_raw

                return export_raw(reader, a, b, folder, _progress)
            from daemon.report.xlsx_export import export_xlsx

            name = re.sub(r"[^A-Za-z0-9]+", "-", plant.plant.name).strip("-").lower()
            when = "_".join(datetime.fromtimestamp(t / 1000, zone).strftime("%Y%m%d-%H%M") for t in (a, b))
            return [export_xlsx(reader, plant, a, b, folder / f"{name}_{when}.xlsx", _progress)]
    except (StoreError, OSError) as e:
        raise ExportError(str(e)) from e
    finally:
        if sys.stderr.isatty():
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def _progress(n: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{n} rows", end="", file=sys.stderr, flush=True)
