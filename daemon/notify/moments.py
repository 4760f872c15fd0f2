"""When a mail may go: quiet hours, time to respond, reminders that grow rarer, one mail instead of a flood. Pure.

May import: config, daemon.core, daemon.alarms.kinds, daemon.notify. Times are ms UTC, plant time.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from config.model import Plant
from daemon.alarms.kinds import KINDS
from daemon.core.outcome import Notice
from daemon.notify.roster import at_time, hours_of, zone_of

FLOOD_MS: Final = 600_000
FLOOD: Final = 5
"""So many messages within FLOOD_MS are a flood: half of what IEC 62682 calls one for a panel, a mail takes longer."""
RESPOND_S: Final = 3600.0  # of a kind this version does not know


def urgent(notice: Notice) -> bool:
    """What goes to everybody on duty at once: the highest priority, and low or high water whatever its priority."""
    kind = KINDS.get(notice.kind)
    return notice.priority == "highest" or (kind is not None and kind.never_hidden)


def respond_ms(notice: Notice, plant: Plant) -> int:
    """How long the plant gives itself to respond."""
    setting, kind = plant.alarms.get(notice.kind), KINDS.get(notice.kind)
    own = setting.respond_within if setting else None
    return round((own or (kind.respond_s if kind else RESPOND_S)) * 1000)


def quiet_until(notice: Notice, plant: Plant, at_ms: int) -> int:
    """Until when a message of this priority is held at an instant, 0 where it is not."""
    if urgent(notice) or notice.priority not in ("low", "medium"):
        return 0
    text = getattr(plant.tell.quiet, notice.priority)
    if not text:
        return 0
    begin, end = hours_of(text)
    zone = zone_of(plant)
    day = datetime.fromtimestamp(at_ms / 1000, zone).date()
    for first in (day - timedelta(days=1), day):
        last = first if end > begin else first + timedelta(days=1)
        until = at_time(last, end, zone)
        if at_time(first, begin, zone) <= at_ms < until:
            return until
    return 0


def pause_ms(reminders: int, plant: Plant) -> int:
    """How long after the raise, or after so many reminders, the next one comes."""
    steps = plant.tell.reminders
    return round((steps[reminders] if reminders < len(steps) else plant.tell.then_every) * 1000)


def flood_until(recent: Sequence[int], plant: Plant, now_ms: int) -> int:
    """Until when what is not urgent waits to go in one mail, 0 where there is no flood. `recent`: earlier messages."""
    late = [t for t in recent if now_ms - FLOOD_MS < t <= now_ms]
    until = max(late, default=0) + round(plant.tell.together * 1000)
    return until if len(late) >= FLOOD and until > now_ms else 0


def daily_due(plant: Plant, last_ms: int, now_ms: int) -> int:
    """When the daily mail was due that has not been written: the latest such time, 0 for none.

    `last_ms`: when the last one was due, 0 where there was none yet. Days are the plant's: the mail comes once a day
    also where a clock is changed.
    """
    if plant.tell.daily is None:
        return 0
    zone = zone_of(plant)
    minute = int(plant.tell.daily[:2]) * 60 + int(plant.tell.daily[3:])
    day = datetime.fromtimestamp(now_ms / 1000, zone).date()
    due = at_time(day, minute, zone)
    if due > now_ms:
        due = at_time(day - timedelta(days=1), minute, zone)
    return due if due > last_ms else 0


def next_daily(plant: Plant, now_ms: int) -> int:
    """When the next daily mail is due, 0 where there is none."""
    if plant.tell.daily is None:
        return 0
    zone = zone_of(plant)
    minute = int(plant.tell.daily[:2]) * 60 + int(plant.tell.daily[3:])
    day = datetime.fromtimestamp(now_ms / 1000, zone).date()
    due = at_time(day, minute, zone)
    return due if due > now_ms else at_time(day + timedelta(days=1), minute, zone)
