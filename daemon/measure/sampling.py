"""When the probe sees boiler water: the sampling arrangements and the representative reading.

continuous   every reading while the boiler steams, once the line has had its flush time
timed        from the end of the flush to the shutting of the valve; a held signal counts once, at its first reading
             after the valve has shut
hold         once, when the trapped sample has settled after the valve has shut
side-stream  as continuous, while flow is proven and the cooled sample is below its limit, where these are wired
none         never

Sample flow is known from the valve's command or end switch. Where neither is wired it is inferred: from the probe's
temperature where that tells hot from cooling water, else from a signal that stands on a plateau; such readings are
uncertain at best. A sample that is still moving is uncertain, and none when it moves fast (`plateau`). An opening too
short for a sample gives no reading, and the probe says so until the next one. Openings of a pulsed valve less than
`joins_ms` apart flush the line together. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from daemon.core.cells import Cell, cell
from daemon.core.reasons import Quality, Reason, quality
from daemon.measure import plateau

DOUBTED: Final = frozenset({Reason.NOT_SETTLED, Reason.IMPOSSIBLE_RATE})
"""A reading that may raise an alarm and never clears one."""

USABLE: Final = frozenset(
    {
        *(Reason.GOOD, Reason.OVER_RANGE, Reason.UNDER_RANGE, Reason.RANGE_HIGH_END, Reason.INFERRED),
        *(Reason.COMPENSATION_STRETCHED, Reason.NOT_AT_25, Reason.NOISY, Reason.IMPOSSIBLE_RATE),
    }
)
"""Reasons under which a flowing sample's reading may stand as representative."""

GAPS_KEPT: Final = 7
SHORTEST_GAP_MS: Final = 5 * 60_000  # openings nearer than this are pulses of one blow, no samples (common practice)


@dataclass(frozen=True, slots=True)
class SampleRule:
    """One boiler's arrangement; times in ms."""

    arrangement: str
    flush_ms: int
    settle_ms: int
    travel_ms: int
    every_ms: int | None
    held: bool  # the signal holds its last value between samples
    valve_known: bool  # the command or an end switch is wired
    said: bool = True  # the plant file says whether the signal is live
    span: float = 0.0  # of the probe's range, uS/cm
    joins_ms: int = 0  # pulses of a pulsed valve nearer than this flush the line together; 0: not pulsed
    shared: bool = False  # the probe serves another boiler too: it sees the one whose sample valve is open


@cell
class Sampler(Cell):
    """The probe's sample line, and the representative reading in force.

    `fresh`, `ended` and `sees` speak of the present group only: a new representative reading came; an opening that
    gave one has ended; what the signal says is of the boiler's water.
    """

    open_ms: int = -1  # elapsed time the valve opened, -1 while shut or unknown
    shut_ms: int = -1  # elapsed time it last shut
    opening: int = 0  # openings seen so far
    last_open_ms: int = 0  # length of the last opening
    flow_ms: int = -1  # since when sample has flowed in a continuous arrangement, -1 when it does not
    due: bool = False  # a sample has been taken whole, and its reading is still to come
    value: float | None = None  # representative, uS/cm
    reason: int = int(Reason.NOT_KNOWN_YET)
    at_ms: int = 0
    elapsed_ms: int = -1
    of_opening: int = -1  # the opening the reading belongs to
    this_run: bool = False  # a sample has been seen since the boiler began to steam
    cut_short: int = 0  # openings too short for a sample, since the last representative reading
    fresh: bool = False
    ended: bool = False
    sees: bool = False
    flushed_ms: int = -1  # elapsed time the present opening's flush ended, -1 before
    gaps: tuple[int, ...] = ()  # ms between the last samples, whether or not they gave a reading
    held: bool = True  # the signal is taken as held now: as stated or learned; changes only between openings
    before_ms: int = 0  # open time of this blow's earlier pulses
    short: bool = False  # the last opening was too short for a sample
    recent: plateau.Recent = ()
    unsettled: int = 0  # openings that ended while the sample was still moving, since the last good one
    tail: bool = False  # the last flushed readings of this opening were none: what was read before clears nothing
    mixed: bool = False  # another boiler's sample valve is open too


def interval_ms(c: Sampler, rule: SampleRule) -> int | None:
    """The interval between samples: as stated, else the middle of the last ones seen, else None."""
    if rule.arrangement in ("continuous", "side-stream"):
        return None
    if rule.every_ms is not None:
        return rule.every_ms
    return sorted(c.gaps)[len(c.gaps) // 2] if len(c.gaps) >= 3 else None


def sample(
    c: Sampler,
    rule: SampleRule,
    t: int,
    at: int,
    valve_open: bool | None,
    steaming: bool,
    value: float | None,
    reason: int,
    read_now: bool,
) -> int:
    """Take one group's view of the sample line; returns the reason the probe's own reading carries now.

    `value`, `reason`: the probe's last reading (uS/cm); `read_now`: it was read in this group.
    """
    c.fresh = c.ended = c.sees = False
    just_shut = _valve(c, rule, t, valve_open, steaming)
    if not steaming:
        c.this_run = c.due = c.short = False
        c.flow_ms = c.flushed_ms = c.shut_ms = -1
        c.recent = ()
        return reason if reason and quality(reason) is Quality.BAD else int(Reason.BOILER_OFF)
    if just_shut:
        _shut(c, rule)
    if c.mixed and rule.arrangement != "none":
        return reason if quality(reason) is Quality.BAD else int(Reason.SHARED_SAMPLE)
    if value is None:
        return reason
    usable = read_now and reason in USABLE
    if rule.arrangement in ("continuous", "side-stream"):
        return _continuous(c, rule, t, at, value, reason, usable)
    if rule.arrangement == "none":
        return reason or int(Reason.NOT_SAMPLING)
    if not rule.valve_known:
        return _inferred(c, rule, t, at, value, reason, usable, read_now)
    if rule.arrangement == "timed":
        return _timed(c, rule, t, at, value, reason, usable, read_now)
    return _hold(c, rule, t, at, value, reason, usable, read_now)


def unwatched(c: Sampler, t: int) -> None:
    """Time went by in which nobody looked: what flowed meanwhile is not known, so the line flushes anew."""
    c.flow_ms = c.flushed_ms = c.shut_ms = -1
    c.due = c.short = False
    c.recent, c.before_ms = (), 0
    if c.open_ms >= 0:
        c.open_ms = t


def _valve(c: Sampler, rule: SampleRule, t: int, valve_open: bool | None, steaming: bool) -> bool:
    """Follow the valve; True in the group it is first seen shut."""
    if valve_open is None:
        return False
    if valve_open:
        if c.open_ms < 0:
            pulse = rule.joins_ms > 0 and c.shut_ms >= 0 and t - c.shut_ms <= rule.joins_ms
            c.before_ms = c.before_ms + max(0, c.last_open_ms - rule.travel_ms) if pulse else 0
            c.open_ms, c.flushed_ms = t, -1
            if not pulse:
                c.opening += 1
            c.due = c.short = c.tail = False
            c.recent = ()
        if c.flushed_ms < 0 and t - c.open_ms >= rule.travel_ms and t - c.open_ms + c.before_ms >= _whole(rule):
            c.flushed_ms = t
        return False
    if c.open_ms < 0:
        return False
    if steaming and c.shut_ms >= 0 and t - c.shut_ms >= SHORTEST_GAP_MS:
        c.gaps = (*c.gaps, t - c.shut_ms)[-GAPS_KEPT:]
    c.last_open_ms = t - c.open_ms
    c.open_ms, c.shut_ms = -1, t
    return True


def _whole(rule: SampleRule) -> int:
    """Open time after which the line has flushed."""
    return rule.travel_ms + rule.flush_ms


def flowing(c: Sampler, rule: SampleRule, t: int, valve_open: bool | None, steaming: bool) -> bool:
    """Whether flushed sample passes the probe now, as far as valve and times tell; for the verdicts on its signal."""
    if not steaming or c.mixed or rule.arrangement == "none":
        return False
    if rule.arrangement in ("continuous", "side-stream"):
        return c.flow_ms >= 0 and t - c.flow_ms >= rule.flush_ms
    if not rule.valve_known:
        return c.flow_ms >= 0
    open_for = t - c.open_ms if c.open_ms >= 0 else -1
    return bool(valve_open) and open_for >= rule.travel_ms and open_for + c.before_ms >= _whole(rule)


def _enough(c: Sampler, rule: SampleRule) -> bool:
    """Whether the last opening was long enough for a sample."""
    travel = rule.travel_ms if rule.arrangement == "timed" else 0
    return c.last_open_ms + c.before_ms >= rule.flush_ms + travel


def _shut(c: Sampler, rule: SampleRule) -> None:
    """The valve has just shut: was it a sample, and is its reading still to come?"""
    if not _enough(c, rule):
        c.cut_short += c.last_open_ms > 0  # 0: most of it was not watched
        c.short = c.last_open_ms > 0
    elif rule.arrangement == "hold" or c.held:
        c.due = True
    else:
        c.ended = c.of_opening == c.opening
        c.unsettled += bool(c.recent) and (not c.ended or c.reason == Reason.NOT_SETTLED)


def _continuous(c: Sampler, rule: SampleRule, t: int, at: int, value: float, reason: int, usable: bool) -> int:
    if c.flow_ms < 0:
        c.flow_ms = t
    if t - c.flow_ms < rule.flush_ms:
        return reason or int(Reason.FLUSHING)
    c.sees = True
    if usable:
        _take(c, value, reason, t, at)
    return reason


def _settled(c: Sampler, rule: SampleRule, t: int, value: float, reason: int, read_now: bool) -> int:
    """The reason of a flushed reading once the plateau test has had its say."""
    if read_now and (not c.recent or c.recent[-1][0] < t):
        c.recent = plateau.with_reading(c.recent, t, value)
    if reason not in USABLE or reason == Reason.RANGE_HIGH_END:
        return reason
    return reason if plateau.verdict(c.recent, rule.span) == plateau.SETTLED else int(Reason.NOT_SETTLED)


def _timed(
    c: Sampler, rule: SampleRule, t: int, at: int, value: float, reason: int, usable: bool, read_now: bool
) -> int:
    if c.open_ms >= 0:
        if c.flushed_ms < 0:
            if read_now and not c.held:  # what the flush brings is what the first reading after it is held against
                c.recent = plateau.with_reading(c.recent, t, value)
            return reason or int(Reason.FLUSHING)
        c.sees = not c.held
        if not c.sees:
            return reason
        reason = _settled(c, rule, t, value, reason, read_now)
        if usable and plateau.verdict(c.recent, rule.span) != plateau.FAR:
            _take(c, value, reason, t, at)
            c.tail = False
        elif read_now:
            c.tail = True
        return reason
    if not c.held:
        return reason or _between(c)
    c.sees = c.shut_ms >= 0 and _enough(c, rule)  # a held signal goes on saying what the last sample said
    if c.due and usable:
        _take(c, value, reason, t, at)
        c.due, c.ended = False, True
    return reason or (int(Reason.CUT_SHORT) if c.short else 0)


def _between(c: Sampler) -> int:
    """Why the probe between two samples is not of the boiler's water."""
    return int(Reason.CUT_SHORT if c.short else Reason.NOT_SAMPLING)


def _hold(
    c: Sampler, rule: SampleRule, t: int, at: int, value: float, reason: int, usable: bool, read_now: bool
) -> int:
    if c.open_ms >= 0:
        c.recent = ()
        return reason or int(Reason.FLUSHING)
    if not c.due:
        return reason or _between(c)
    if t - c.shut_ms < rule.travel_ms + rule.settle_ms:
        if read_now and not c.held:
            c.recent = plateau.with_reading(c.recent, t, value)
        return reason or int(Reason.SETTLING)
    c.sees = True
    if not c.held:
        reason = _settled(c, rule, t, value, reason, read_now)
    if usable:
        if c.held or plateau.verdict(c.recent, rule.span) != plateau.FAR:
            _take(c, value, reason, t, at)
            c.ended = True
        c.unsettled += reason == Reason.NOT_SETTLED
    if read_now:
        c.due = False
    return reason


def _inferred(
    c: Sampler, rule: SampleRule, t: int, at: int, value: float, reason: int, usable: bool, read_now: bool
) -> int:
    """No wire tells of the valve: a settled signal counts, marked as inferred."""
    c.sees = reason != Reason.RANGE_LOW_END  # stagnant water reads nothing too
    if c.flow_ms < 0:
        c.flow_ms = t
    if not c.held:
        reason = _settled(c, rule, t, value, reason, read_now)
    moving = reason == Reason.NOT_SETTLED
    if usable and not moving:
        _take(c, value, reason or int(Reason.INFERRED), t, at)
    return reason or int(Reason.INFERRED)


def _take(c: Sampler, value: float, reason: int, t: int, at: int) -> None:
    c.value, c.reason, c.at_ms, c.elapsed_ms, c.of_opening = value, reason, at, t, c.opening
    c.cut_short = 0
    if reason != Reason.NOT_SETTLED:
        c.unsettled = 0
    c.fresh = c.this_run = True
