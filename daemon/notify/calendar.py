"""An exported calendar (RFC 5545) to spans of duty, in a process of its own: `python -P -m daemon.notify.calendar`.

Pure but for standard input and output. The calendar libraries take long to load and a broken file could keep them busy
for ever, so the service never loads them: it starts this, hands in JSON, and ends it when it takes too long. May
import: daemon.notify.roster.

A person is known by name in an event's summary or by mail address as its attendee. Times without a zone are the
plant's; a day without hours is the plant's day, midnight to midnight.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any, Final
from zoneinfo import ZoneInfo

from daemon.notify.roster import Span

MOST_SPANS: Final = 5000


class CalendarError(Exception):
    """The file is no calendar that can be used; the text says where and why."""


@dataclass(frozen=True, slots=True)
class Read:
    """What a calendar says of a time. `strangers`: summaries of events that name nobody of the plant file."""

    spans: tuple[Span, ...]
    strangers: tuple[str, ...] = ()
    ends_ms: int = 0  # the last end of any duty within the time, 0 for none


def read_calendar(text: str, people: Mapping[str, str], zone: tzinfo, from_ms: int, to_ms: int) -> Read:
    """Duty between two times (ms UTC). `people`: name to mail address. Raises CalendarError."""
    import icalendar
    import recurring_ical_events

    if "BEGIN:VCALENDAR" not in text.upper():
        raise CalendarError("it is no iCalendar file: there is no BEGIN:VCALENDAR in it")
    if text.upper().count("BEGIN:VCALENDAR") > text.upper().count("END:VCALENDAR"):
        raise CalendarError("it ends before its END:VCALENDAR: it is not whole")
    begin, end = (datetime.fromtimestamp(t / 1000, UTC) for t in (from_ms, to_ms))
    spans: list[Span] = []
    strangers: dict[str, None] = {}
    try:
        for calendar in icalendar.Calendar.from_ical(text, multiple=True):
            for event in recurring_ical_events.of(calendar).between(begin, end):
                if len(spans) > MOST_SPANS:
                    raise CalendarError(f"it has more than {MOST_SPANS} duties within four weeks")
                spans += _spans(event, people, zone, strangers)
    except CalendarError:
        raise
    except Exception as e:  # the libraries raise many kinds for broken files
        why = " ".join(str(e).split())[:300] or type(e).__name__
        raise CalendarError(f"it cannot be read: {why}") from e
    spans.sort(key=lambda s: (s.begin_ms, s.end_ms, s.person))
    return Read(tuple(spans), tuple(strangers), max((s.end_ms for s in spans), default=0))


def _spans(event: Any, people: Mapping[str, str], zone: tzinfo, strangers: dict[str, None]) -> Iterator[Span]:
    if str(event.get("STATUS", "")).upper() == "CANCELLED":
        return
    start, end = (_instant(x, zone) for x in _times(event))
    if end <= start:
        return
    names = _named(event, people)
    if not names:
        strangers[" ".join(str(event.get("SUMMARY", "")).split())[:80] or "(no summary)"] = None
    for name in names:
        yield Span(start, end, name)


def _times(event: Any) -> tuple[date, date]:
    start = event["DTSTART"].dt
    if "DTEND" in event:
        return start, event["DTEND"].dt
    if "DURATION" in event:
        return start, start + event["DURATION"].dt
    return start, start if isinstance(start, datetime) else start + timedelta(days=1)


def _instant(when: date, zone: tzinfo) -> int:
    if not isinstance(when, datetime):
        when = datetime(when.year, when.month, when.day, tzinfo=zone)
    elif when.tzinfo is None:
        when = when.replace(tzinfo=zone)
    return round(when.timestamp() * 1000)


def _named(event: Any, people: Mapping[str, str]) -> list[str]:
    summary = " ".join(str(event.get("SUMMARY", "")).split())
    found = event.get("ATTENDEE") or []
    who = {
        re.sub(r"(?i)^mailto:", "", str(a)).strip().casefold() for a in (found if isinstance(found, list) else [found])
    }
    return [n for n, mail in people.items() if mail.casefold() in who or _says(summary, n)]


def _says(summary: str, name: str) -> bool:
    """Whether a name stands in a summary as whole words, in any case."""
    return re.search(rf"(?<!\w){re.escape(name)}(?!\w)", summary, re.IGNORECASE) is not None


def answer(request: Mapping[str, Any]) -> dict[str, Any]:
    """What the process answers: {"spans": [[begin, end, name]...], "strangers", "ends_ms"} or {"error": text}."""
    try:
        read = read_calendar(
            request["text"], request["people"], ZoneInfo(request["zone"]), request["from_ms"], request["to_ms"]
        )
    except CalendarError as e:
        return {"error": str(e)}
    data = asdict(read)
    return data | {"spans": [[s.begin_ms, s.end_ms, s.person] for s in read.spans]}


if __name__ == "__main__":
    json.dump(answer(json.load(sys.stdin)), sys.stdout)
