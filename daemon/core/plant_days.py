"""Days of the plant's own calendar: 23, 24 or 25 hours long, as its zone has it. Pure.

A day is named by its ordinal (`datetime.date.toordinal`). Imports nothing of ours.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

_LAST_MS: Final = 250_000_000_000_000  # of the year 9892; later ones are no dates


def day_of(at_ms: int, zone: ZoneInfo) -> int:
    """The day that an instant (ms UTC) belongs to."""
    seconds = min(max(at_ms, 0), _LAST_MS) // 1000
    return datetime.fromtimestamp(seconds, zone).toordinal()


def midnight_ms(day: int, zone: ZoneInfo) -> int:
    """The instant (ms UTC) at which a day begins; where midnight is left out by the clock, the first there is."""
    d = date.fromordinal(day)
    return round(datetime(d.year, d.month, d.day, tzinfo=zone).timestamp() * 1000)


def hours(day: int, zone: ZoneInfo) -> float:
    """How long a day is."""
    return (midnight_ms(day + 1, zone) - midnight_ms(day, zone)) / 3_600_000
