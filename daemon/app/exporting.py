"""`export`: what time is meant, which files come of it. Runs in a process of its own at low priority.

May import: daemon.report, daemon.store.
"""

from __future__ import annotations

import os
import re
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

from daemon.store.errors import StoreError

if TYPE_CHECKING:
    from daemon.store.reader import Reader


class ExportError(Exception):
    """Nothing was exported; the text says why."""


_UNITS = {"m": "minutes", "h": "hours", "d": "days"}


def instant_ms(text: str, zone: ZoneInfo, now_ms: int, *, end: bool = False) -> int:
    """ "now", "-24h" (before `now_ms`), or a date or date and time on the plant's clock, as ms UTC. ExportError.

    With `end` it is the first ms no longer meant: a date is that whole day, of an hour that the clock shows twice the
    second is meant, and "now" is past `now_ms`.
    """
    text = text.strip()
    if text == "now":
        return now_ms + end
    try:
        if m := re.fullmatch(r"-(\d+)([mhd])", text):
            return now_ms - round(timedelta(**{_UNITS[m[2]]: int(m[1])}).total_seconds() * 1000)
        found = datetime.fromisoformat(text)
        if end and re.fullmatch(r"\d{4}-?\d\d-?\d\d", text):
            found += timedelta(days=1)
        if found.tzinfo is None:
            found = found.replace(tzinfo=zone, fold=int(end))
        return round(found.astimezone(UTC).timestamp() * 1000)
    except (ValueError, OverflowError):
        raise ExportError(
            f'A time wants "2026-11-20", "2026-11-20 06:00", "-24h", "-7d" or "now"; found {text!r}.'
        ) from None


def export_files(
    store: Path, start: str, end: str, form: str, folder: Path, each: Literal["hour", "day"] | None = None
) -> list[Path]:
    """Export a stretch of a store; "now" is its newest group, which is part of it. The files written. ExportError.

    `each`: averages of hours or days in the place of readings, not for raw.
    """
    from daemon.store.reader import Reader

    os.nice(10)
    try:
        with Reader(store) as reader:
            last = reader.last()
            if last is None:
                raise ExportError(f"{store} holds nothing yet.")
            plant = reader.plant(last.plant)
            zone = ZoneInfo(plant.plant.zone)
            a, b = instant_ms(start, zone, last.at_ms), instant_ms(end, zone, last.at_ms, end=True)
            if a >= b:
                raise ExportError(f"--from {start} is not before --to {end}.")
            if next(reader.groups(a, b), None) is None:
                raise ExportError(_nothing(reader, zone, a, b, last.at_ms))
            folder.mkdir(parents=True, exist_ok=True)
            if form == "csv":
                from daemon.report.csv_export import export_csv

                return export_csv(reader, plant, a, b, folder, _progress, each)
            if form == "raw":
                from daemon.report.raw_export import export_raw

                return export_raw(reader, a, b, folder, _progress, _tell)
            from daemon.report.xlsx_export import export_xlsx

            name = re.sub(r"[^A-Za-z0-9]+", "-", plant.plant.name).strip("-").lower()
            when = "_".join(datetime.fromtimestamp(t / 1000, zone).strftime("%Y%m%d-%H%M") for t in (a, b))
            return [export_xlsx(reader, plant, a, b, folder / f"{name}_{when}.xlsx", _progress, each)]
    except (StoreError, OSError) as e:
        raise ExportError(str(e)) from e
    finally:
        if sys.stderr.isatty():
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def _nothing(reader: Reader, zone: ZoneInfo, a: int, b: int, last_ms: int) -> str:
    first = next(reader.groups())
    asked, held = (
        " to ".join(f"{datetime.fromtimestamp(t / 1000, zone):%Y-%m-%d %H:%M:%S %Z}" for t in pair)
        for pair in ((a, b), (first.group.at_ms, last_ms))
    )
    return f"Nothing is stored from {asked}. The store holds {held}."


def _tell(text: str) -> None:
    print(text, file=sys.stderr)


def _progress(n: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{n} rows", end="", file=sys.stderr, flush=True)
