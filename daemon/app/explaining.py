"""`explain`: which tag or alarm, at which time; the explanation on the terminal or as JSON.

May import: daemon.app.stepping, daemon.app.exporting, daemon.report, daemon.store.
"""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.app.exporting import ExportError, instant_ms
from daemon.app.stepping import advance
from daemon.report.explain import explain_tag
from daemon.report.explain_alarm import explain_alarm
from daemon.report.explain_made import ExplainError, Unknown
from daemon.report.explain_parts import Explained
from daemon.report.explain_past import Past
from daemon.report.tables import site_time
from daemon.store.errors import StoreError
from daemon.store.reader import Reader

DAY_MS = 86_400_000


class ExplainRefused(Exception):
    """Nothing was explained; `code` 2 when what was asked for is not understood."""

    def __init__(self, text: str, code: int) -> None:
        super().__init__(text)
        self.code = code


def explain(store: Path, what: str, time: str | None) -> Explained:
    """Explain a tag at a time, or an alarm by its number. ExplainRefused."""
    try:
        with Reader(store) as reader:
            past = Past(reader, advance, _progress)
            if re.fullmatch(r"#?\d+", what):
                if time is not None:
                    raise ExplainRefused("An alarm is explained by its number alone; leave out the time.", 2)
                return explain_alarm(past, int(what.lstrip("#")))
            if time is None:
                return explain_tag(past, what, None)
            at_ms, twice = _instant(reader, time)
            found = explain_tag(past, what, at_ms)
            return replace(found, remarks=(*found.remarks, twice)) if twice else found
    except Unknown as e:
        raise ExplainRefused(str(e), 2) from e
    except (ExplainError, StoreError) as e:
        raise ExplainRefused(str(e), 1) from e
    finally:
        if sys.stderr.isatty():
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def _instant(reader: Reader, text: str) -> tuple[int | None, str]:
    """A time on the plant's clock as ms UTC; "06:30" is the last time it was so late before the newest group.

    With it a sentence where the plant's clock showed that time twice, as the hour does that ends summer time.
    """
    last = reader.last()
    if last is None:
        return None, ""
    zone = ZoneInfo(reader.plant(last.plant).plant.zone)
    try:
        if re.fullmatch(r"\d{1,2}:\d\d(:\d\d)?", text):
            day = site_time(last.at_ms, zone).date()
            full = f"{day} {text.zfill(8 if text.count(':') == 2 else 5)}"
            found = instant_ms(full, zone, last.at_ms)
            if found > last.at_ms:
                before = site_time(instant_ms(f"{day} 12:00", zone, 0) - DAY_MS, zone).date()
                found = instant_ms(full.replace(str(day), str(before)), zone, last.at_ms)
            return found, _twice(found, zone)
        found = instant_ms(text, zone, last.at_ms)
        return found, _twice(found, zone) if re.fullmatch(r"[\d-]+[ T][\d:.]+", text) else ""
    except ExportError:
        raise ExplainRefused(
            f'A time wants "2026-11-20 06:30", "06:30", "-2h", "-10m" or "now"; found {text!r}.', 2
        ) from None


def _twice(at_ms: int, zone: ZoneInfo) -> str:
    """What to say of a time the plant's clock shows twice; "" for all others."""
    first = site_time(at_ms, zone)
    again = first.replace(fold=1)
    if first.fold or first.utcoffset() == again.utcoffset():
        return ""
    text = again.isoformat(sep=" ", timespec="minutes")
    return f"the plant's clock showed that time twice; the first is explained. The second: {text!r}"


def _progress(n: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{n} polls worked out again", end="", file=sys.stderr, flush=True)
