"""The performance of the alarms in words. Pure. May import: daemon.core, this room.

What it is held against (about one alarm in ten minutes for one person in the long run) is EEMUA 191 as the UK Health
and Safety Executive quotes it in its information sheet on better alarm handling (AL-001, AL-004).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from daemon.core.plant_days import day_of, midnight_ms
from daemon.report.performance import PRIORITIES, Performance

MANAGEABLE_A_DAY = 144  # one in ten minutes
SHOWN_DAYS = 31


def days_between(from_ms: int, to_ms: int, zone: ZoneInfo) -> list[tuple[str, int, int]]:
    """Each day of the plant's calendar that a stretch touches: its date, and the part of it that is meant (ms UTC)."""
    out = []
    for day in range(day_of(from_ms, zone), day_of(to_ms - 1, zone) + 1):
        begin, end = midnight_ms(day, zone), midnight_ms(day + 1, zone)
        name = datetime.fromtimestamp(begin / 1000, UTC).astimezone(zone).date().isoformat()
        out.append((name, max(begin, from_ms), min(end, to_ms)))
    return out


def lines(p: Performance, days: Sequence[tuple[str, int, int]], zone: ZoneInfo) -> list[str]:
    """The report as plain lines."""
    begin, end = _moment(p.from_ms, zone), _moment(p.to_ms - 1, zone)
    out = [
        f"Alarms from {begin} to {end} ({zone.key})",
        "",
        f"raised                 {p.raised}: {p.per_day:.1f} a day, {p.per_ten_minutes:.2f} in ten minutes",
        f"                       (EEMUA 191: in the long run no more than {MANAGEABLE_A_DAY} a day for one person)",
        f"busiest ten minutes    {p.busiest_ten_minutes}",
        f"busiest 24 hours       {p.busiest_day}",
        f"floods                 {len(p.floods)}, {100 * p.flood_share:.2f} % of the time (over 10 in ten minutes)",
    ]
    out += [
        f"                       {_moment(f.from_ms, zone)}, {_long((f.to_ms - f.from_ms) / 1000)}: {f.raised} alarms"
        for f in p.floods
    ]
    out.append(f"chattering             {len(p.chattering)} (three times or more within a minute)")
    out += [f"                       {c.alarm}: {c.raised} times" for c in p.chattering]
    out.append(f"fleeting               {p.fleeting} (over within a minute)")
    out.append(f"stale                  {len(p.stale)} (more than 24 hours), at most {p.most_stale_at_once} at once")
    for s in p.stale:
        until = "and still stands" if s.to_ms is None else f"for {_long((s.to_ms - s.from_ms) / 1000)}"
        out.append(f"                       {s.occurrence} {s.alarm}: since {_moment(s.from_ms, zone)}, {until}")
    shares = ", ".join(f"{name} {p.priorities[name]} ({_share(p.priorities[name], p.raised)})" for name in PRIORITIES)
    out.append(f"by priority            {shares}")
    a = p.acknowledged
    if a.answered:
        out.append(
            f"confirmed              {a.answered} of {a.answered + a.unanswered}; half within {_long(a.median_s)}, "
            f"nine of ten within {_long(a.ninth_tenth_s)}, the longest {_long(a.longest_s)}"
        )
    else:
        out.append(f"confirmed              none of {a.unanswered}")
    out.append(f"put aside              {p.put_aside} times")
    if p.frequent:
        out += ["", f"most frequent ({100 * p.frequent_share:.0f} % of all)"]
        out += [f"  {f.raised:5}  {100 * f.share:5.1f} %  {f.alarm}" for f in p.frequent]
    out += ["", "day          raised  most in ten minutes"]
    if len(days) > SHOWN_DAYS:
        out.append(f"  (the last {SHOWN_DAYS} of {len(days)} days; --json has all)")
    out += [f"{day}   {n:6}  {most:6}" for day, n, most in days[-SHOWN_DAYS:]]
    return out


def _moment(at_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone):%Y-%m-%d %H:%M}"


def _long(seconds: float | None) -> str:
    if seconds is None:
        return "?"
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = seconds / 60
    if minutes < 100:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.1f} h" if minutes < 48 * 60 else f"{minutes / 1440:.1f} days"


def _share(n: int, of: int) -> str:
    return f"{100 * n / of:.0f} %" if of else "0 %"
