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
    shared: bool = False  # a neighbour blew into the same line meanwhile


@cell
class HandBlow(Cell):
    """A blow by hand as a person told it, from one UTC instant to another (ms); `from_at` -1: none.

    A note sets `from_at` and `to_at`; the record is made here when that time is over.
    """

    from_at: int = -1
    to_at: int = -1
    sampled: float | None = None
    last: float | None = None


def told(c: HandBlow, boiler: str, reading: float | None, at: int) -> Blow | None:
    """Take one group; the record of a blow by hand when its time is over. `reading`: a new representative one."""
    if c.from_at < 0:
        return None
    if reading is not None and c.from_at <= at <= c.to_at:
        c.sampled = reading if c.sampled is None else c.sampled
        c.last = reading
    if at < c.to_at:
        return None
    start, end = c.from_at, max(c.from_at, c.to_at)
    done = Blow(boiler, start, end, 1, end - start, c.sampled, c.last, False, 0, by_hand=True)
    c.from_at, c.to_at, c.sampled, c.last = -1, -1, None, None
    return done


def follow(
    c: BlowCell,
    boiler: str,
    valve_open: bool | None,
    joins_ms: int,
    poll_ms: int,
    t: int,
    at: int,
    gap: bool,
    line_open: bool = False,
) -> Blow | None:
    """Take one group's view of the valve; the finished blow when one has ended for good.

    `valve_open` None: it cannot be read now; an opening or a shutting meanwhile was not seen, and the blow not whole.
    `gap`: time went by unwatched before this group. `line_open`: another boiler blows into the same line.
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
            c.shared = False
        c.shared = c.shared or line_open
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
        seen = (boiler, c.start_at, c.shut_at, c.openings, c.open_total, c.sampled, c.last)
        done = Blow(*seen, c.whole, poll_ms, shared=c.shared)
        c.start_at = -1
    return done


def note_reading(c: BlowCell, value: float) -> None:
    """A representative reading came while the blow lasts: keep the first and the last."""
    if c.start_at < 0:
        return
    if c.sampled is None:
        c.sampled = value
    c.last = value
