"""Who is told and when: names that exist, hours that somebody covers, quiet hours that are times of the clock.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator

from config.findings import Found, Path
from config.rules.view import View

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def names(v: View) -> Iterator[Found]:
    """Each person has a name of their own, and turns name persons."""
    seen: set[str] = set()
    for i, p in enumerate(v.plant.persons):
        if p.name in seen:
            yield Found(("person", i, "name"), f"{p.name} is written for another person too; wants it once")
        seen.add(p.name)
    rota = v.plant.rota
    for k, turn in enumerate(rota.turns if rota else ()):
        if turn.person not in seen:
            text = f'there is no [[person]] called "{turn.person}"; found {", ".join(sorted(seen)) or "none"}'
            yield Found(("rota", "turn", k, "person"), text)


def hours(v: View) -> Iterator[Found]:
    """Times are times of the clock."""
    rota, quiet = v.plant.rota, v.plant.tell.quiet
    for k, turn in enumerate(rota.turns if rota else ()):
        if turn.hours:
            yield from _window(("rota", "turn", k, "hours"), turn.hours)
    for key in ("low", "medium"):
        text = getattr(quiet, key)
        if text:
            yield from _window(("tell", "quiet", key), text)


def _window(path: Path, text: str) -> Iterator[Found]:
    begin, end = text.split("..")
    for t in (begin, end):
        if int(t[:2]) > 23:
            yield Found(path, f'wants times from 00:00 to 23:59; found "{t}"')
    if begin == end:
        yield Found(path, f'wants two different times; found "{text}"')


def covered(v: View) -> Iterator[Found]:
    """Somebody is on duty at every hour of the week; where nobody is, everybody is told, and check says so."""
    rota = v.plant.rota
    if rota is None:
        return
    if rota.calendar is None and not rota.turns:
        yield Found(("rota",), "wants a calendar or [[rota.turn]]: without either, leave [rota] away")
        return
    if rota.calendar is not None and rota.turns:
        yield Found(("rota", "calendar"), "a calendar and [[rota.turn]]: whoever either names is on duty", "note")
    if rota.calendar is None:
        week = [False] * (7 * 24 * 60)
        for turn in rota.turns:
            begin, end = _minutes(turn.hours) if turn.hours else (0, 1440)
            for d, name in enumerate(_DAYS):
                if not turn.days or name in turn.days:
                    for m in range(begin, end if end > begin else end + 1440):
                        week[(d * 1440 + m) % len(week)] = True
        if False in week:
            first = week.index(False)
            at = f"{_DAYS[first // 1440]} {first % 1440 // 60:02d}:{first % 60:02d}"
            share = week.count(False) / 60
            text = f"nobody is on duty for {share:.0f} h of the week, first at {at}: everybody is told then"
            yield Found(("rota",), text, "warning")


def _minutes(hours: str) -> tuple[int, int]:
    begin, end = (int(t[:2]) * 60 + int(t[3:]) for t in hours.split(".."))
    return begin, end


RULES = (names, hours, covered)
