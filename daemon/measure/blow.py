"""Blows: openings of the surface blowdown valve, joined when they are less than a stated gap apart. Pure."""

from __future__ import annotations

from daemon.core.cells import Cell, cell
from daemon.core.outcome import Blow


@cell
class BlowCell(Cell):
    """The blow in progress; `start_at` is -1 when there is none. Times in ms."""

    start_at: int = -1
    openings: int = 0
    open_total: int = 0
    open_since: int = -1  # elapsed, -1 while shut
    shut_since: int = -1
    shut_at: int = 0
    known: bool = False  # the valve was seen shut at the last look: the next opening is seen whole
    blind: bool = False  # it could not be read at the last look
    whole: bool = True
    sampled: float | None = None
    last: float | None = None


def follow(
    c: BlowCell, boiler: str, valve_open: bool | None, joins_ms: int, poll_ms: int, t: int, at: int, gap: bool
) -> Blow | None:
    """Take one group's view of the valve; the finished blow when one has ended for good.

    `valve_open` None: it cannot be read now; an opening or a shutting meanwhile was not seen, and the blow not whole.
    `gap`: time went by unwatched before this group.
    """
    if gap and c.start_at >= 0:
        c.whole = False
    if valve_open is None:
        c.blind, c.known = True, False
        return None
    blind, c.blind = c.blind, False
    done: Blow | None = None
    if valve_open:
        if c.start_at < 0:
            c.start_at, c.openings, c.open_total, c.whole = at, 0, 0, c.known and not gap
            c.sampled = c.last = None
        if c.open_since < 0:
            c.open_since, c.shut_since = t, -1
            c.openings += 1
        return None
    c.known = True
    if c.open_since >= 0:
        c.open_total += t - c.open_since
        c.whole = c.whole and not blind  # when it shut was not seen
        c.open_since, c.shut_since, c.shut_at = -1, t, at
    if c.start_at >= 0 and t - c.shut_since >= joins_ms:
        done = Blow(boiler, c.start_at, c.shut_at, c.openings, c.open_total, c.sampled, c.last, c.whole, poll_ms)
        c.start_at = -1
    return done


def note_reading(c: BlowCell, value: float) -> None:
    """A representative reading came while the blow lasts: keep the first and the last."""
    if c.start_at < 0:
        return
    if c.sampled is None:
        c.sampled = value
    c.last = value
