"""Times as people give them to an act: when something was, or until when it holds. Pure.

May import: daemon.app.exporting.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.app.exporting import ExportError, instant_ms

_LENGTH = re.compile(r"\+?(\d+)\s*(min|m|h|d)")
_LENGTHS = {"min": "minutes", "m": "minutes", "h": "hours", "d": "days"}
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_CLOCK = re.compile(r"(?:([A-Za-z]{3})\w*\s+)?(\d{1,2}):(\d\d)")


class MomentError(ValueError):
    """A time that cannot be read; the text says what is wanted."""


def past_ms(text: str, zone: ZoneInfo, now_ms: int) -> int:
    """ "14:05" (the last one), "-2h", "now", or a date and time on the plant's clock, as ms UTC. MomentError."""
    m = _CLOCK.fullmatch(text.strip())
    if m and not m[1]:
        return _clock(m, zone, now_ms, ahead=False)
    try:
        return instant_ms(text, zone, now_ms)
    except ExportError as e:
        raise MomentError(f'{e} Or a time of day, "14:05".') from None


def until_ms(text: str, zone: ZoneInfo, now_ms: int) -> int:
    """ "2h", "3d", "17:00" (the next one), "Wed 17:00", a date (to its end) or a date and time, as ms UTC."""
    said = text.strip()
    if m := _LENGTH.fullmatch(said):
        try:
            return now_ms + round(timedelta(**{_LENGTHS[m[2]]: int(m[1])}).total_seconds() * 1000)
        except OverflowError:
            raise MomentError(f"{said} is too long.") from None
    if m := _CLOCK.fullmatch(said):
        return _clock(m, zone, now_ms, ahead=True)
    try:
        found = instant_ms(said, zone, now_ms, end=True)
    except ExportError:
        raise MomentError(
            f'An end wants "2h", "3d", "17:00", "Wed 17:00", "2026-11-20" or "2026-11-20 06:00"; found {text!r}.'
        ) from None
    if found <= now_ms:
        at = datetime.fromtimestamp(now_ms / 1000, zone)
        raise MomentError(f"{text!r} is over: the plant's clock says {at:%a %Y-%m-%d %H:%M}.")
    return found


def clock_text(at_ms: int, zone: ZoneInfo) -> str:
    """ "Wed 2026-11-25 17:00" on the plant's clock."""
    return f"{datetime.fromtimestamp(at_ms / 1000, zone):%a %Y-%m-%d %H:%M}"


def _clock(m: re.Match[str], zone: ZoneInfo, now_ms: int, *, ahead: bool) -> int:
    hour, minute = int(m[2]), int(m[3])
    name = (m[1] or "").lower()
    if hour > 23 or minute > 59 or (name and name not in _DAYS):
        raise MomentError(f'A time of day wants "14:05" or "Wed 14:05"; found {m[0]!r}.')
    now = datetime.fromtimestamp(now_ms / 1000, zone)
    days = range(9) if ahead else range(0, -3, -1)
    for day in days:
        at = (now + timedelta(days=day)).replace(hour=hour, minute=minute, second=0, microsecond=0)
        found = round(at.timestamp() * 1000)
        if name and at.weekday() != _DAYS.index(name):
            continue
        if found > now_ms if ahead else found <= now_ms:
            return found
    raise MomentError(f"{m[0]!r} is no time of the plant's clock.")
