"""Who is on duty when: the turns of the plant file, and spans that come from a calendar.

Pure: no clock, no files. May import: config, daemon.core. Times are ms UTC; hours and days are the plant's own, so a
night's turn is 23 or 25 hours' worth of clock where the clock is changed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Final
from zoneinfo import ZoneInfo

from config.model import Person, Plant, Rota, Turn

DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
AHEAD_MS: Final = 14 * 86_400_000
"""How far ahead spans are known."""


@dataclass(frozen=True, slots=True)
class Span:
    """One person on duty from `begin_ms` to before `end_ms`."""

    begin_ms: int
    end_ms: int
    person: str


@dataclass(frozen=True, slots=True)
class Roster:
    """The persons of a plant, and when each is on duty. `spans` None: there is no rota, everybody always is."""

    persons: tuple[Person, ...]
    spans: tuple[Span, ...] | None = None
    trouble: str = ""  # what is wrong with the calendar, "" when nothing is
    until_ms: int = 0  # duties are known until then

    def on_duty(self, at_ms: int) -> tuple[Person, ...]:
        """Those on duty at an instant, in the order of the plant file; () when nobody is."""
        if self.spans is None:
            return self.persons
        names = {s.person for s in self.spans if s.begin_ms <= at_ms < s.end_ms}
        return tuple(p for p in self.persons if p.name in names)

    def next_change(self, at_ms: int) -> tuple[int, tuple[Person, ...]] | None:
        """When others are on duty than at `at_ms`, and who; None where that is not known."""
        now = self.on_duty(at_ms)
        for edge in sorted({e for s in self.spans or () for e in (s.begin_ms, s.end_ms) if at_ms < e < self.until_ms}):
            if (then := self.on_duty(edge)) != now:
                return edge, then
        return None


def zone_of(plant: Plant) -> tzinfo:
    """The plant's zone; UTC where this PC does not know it."""
    try:
        return ZoneInfo(plant.plant.zone)
    except (KeyError, ValueError, OSError):
        return UTC


def at_time(day: date, minute: int, zone: tzinfo) -> int:
    """The instant at which the clock of a zone shows a time of a day; of an hour left out, as if it were there."""
    whole = datetime(day.year, day.month, day.day, minute // 60, minute % 60, tzinfo=zone)
    return round(whole.timestamp() * 1000)


def hours_of(text: str) -> tuple[int, int]:
    """ "22:00..06:00" as minutes since midnight."""
    begin, end = (int(t[:2]) * 60 + int(t[3:]) for t in text.split(".."))
    return begin, end


def turn_spans(rota: Rota, zone: tzinfo, from_ms: int, to_ms: int) -> tuple[Span, ...]:
    """What the turns say of a time, in order of their begin."""
    first = datetime.fromtimestamp(from_ms / 1000, zone).date() - timedelta(days=1)
    last = datetime.fromtimestamp(to_ms / 1000, zone).date()
    found = [
        s for turn in rota.turns for s in _turn(turn, zone, first, last) if s.end_ms > from_ms and s.begin_ms < to_ms
    ]
    return tuple(sorted(found, key=lambda s: (s.begin_ms, s.end_ms, s.person)))


def _turn(turn: Turn, zone: tzinfo, first: date, last: date) -> Iterator[Span]:
    begin, end = hours_of(turn.hours) if turn.hours else (0, 0)
    day = first
    while day <= last:
        if _falls_on(turn, day):
            ends = day if end > begin else day + timedelta(days=1)
            yield Span(at_time(day, begin, zone), at_time(ends, end, zone), turn.person)
        day += timedelta(days=1)


def _falls_on(turn: Turn, day: date) -> bool:
    begin = date.fromisoformat(turn.begin) if turn.begin else None
    if (begin and day < begin) or (turn.until and day > date.fromisoformat(turn.until)):
        return False
    if turn.days and DAYS[day.weekday()] not in turn.days:
        return False
    if turn.week and begin:
        which, of = (int(x) for x in turn.week.split(" of "))
        monday = begin - timedelta(days=begin.weekday())
        return (day - monday).days // 7 % of == which - 1
    return True


def roster(plant: Plant, now_ms: int, calendar: Sequence[Span] = (), trouble: str = "") -> Roster:
    """The roster around a moment: the turns of the plant file and the spans of its calendar."""
    if plant.rota is None:
        return Roster(plant.persons)
    turns = turn_spans(plant.rota, zone_of(plant), now_ms - AHEAD_MS, now_ms + AHEAD_MS)
    return Roster(plant.persons, (*turns, *calendar), trouble, now_ms + AHEAD_MS - 86_400_000)
