"""When the probe sees boiler water: the sampling arrangements and the representative reading.

continuous   every reading while the boiler steams, once the line has had its flush time
timed        from the end of the flush to the shutting of the valve; a held signal counts once, at its first reading
             after the valve has shut
hold         once, when the trapped sample has settled after the valve has shut
side-stream  as continuous
none         never

Sample flow is known from the valve's command or end switch. Where neither is wired a timed or held sample cannot be
told from stagnant water: readings then count as they come, marked as inferred and uncertain. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from daemon.core.cells import Cell, cell
from daemon.core.reasons import Quality, Reason, quality

USABLE: Final = frozenset(
    {
        *(Reason.GOOD, Reason.OVER_RANGE, Reason.UNDER_RANGE, Reason.RANGE_HIGH_END, Reason.INFERRED),
        *(Reason.COMPENSATION_STRETCHED, Reason.NOT_AT_25),
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
        c.this_run = c.due = False
        c.flow_ms = c.flushed_ms = c.shut_ms = -1
        return reason if reason and quality(reason) is Quality.BAD else int(Reason.BOILER_OFF)
    if just_shut:
        _shut(c, rule)
    if value is None:
        return reason
    usable = read_now and reason in USABLE
    if rule.arrangement in ("continuous", "side-stream"):
        return _continuous(c, rule, t, at, value, reason, usable)
    if rule.arrangement == "none":
        return reason or int(Reason.NOT_SAMPLING)
    if not rule.valve_known:
        c.sees = reason != Reason.RANGE_LOW_END  # stagnant water reads nothing too
        if usable:
            _take(c, value, reason or int(Reason.INFERRED), t, at)
        return reason or int(Reason.INFERRED)
    if rule.arrangement == "timed":
        return _timed(c, rule, t, at, value, reason, usable)
    return _hold(c, rule, t, at, value, reason, usable, read_now)


def unwatched(c: Sampler, t: int) -> None:
    """Time went by in which nobody looked: what flowed meanwhile is not known, so the line flushes anew."""
    c.flow_ms = c.flushed_ms = c.shut_ms = -1
    c.due = False
    if c.open_ms >= 0:
        c.open_ms = t


def _valve(c: Sampler, rule: SampleRule, t: int, valve_open: bool | None, steaming: bool) -> bool:
    """Follow the valve; True in the group it is first seen shut."""
    if valve_open is None:
        return False
    if valve_open:
        if c.open_ms < 0:
            c.open_ms, c.flushed_ms = t, -1
            c.opening += 1
            c.due = False
        if c.flushed_ms < 0 and t - c.open_ms >= rule.travel_ms + rule.flush_ms:
            c.flushed_ms = t
        return False
    if c.open_ms < 0:
        return False
    if steaming and c.shut_ms >= 0 and t - c.shut_ms >= SHORTEST_GAP_MS:
        c.gaps = (*c.gaps, t - c.shut_ms)[-GAPS_KEPT:]
    c.last_open_ms = t - c.open_ms
    c.open_ms, c.shut_ms = -1, t
    return True


def _enough(c: Sampler, rule: SampleRule) -> bool:
    """Whether the last opening was long enough for a sample."""
    return c.last_open_ms >= rule.flush_ms + (rule.travel_ms if rule.arrangement == "timed" else 0)


def _shut(c: Sampler, rule: SampleRule) -> None:
    """The valve has just shut: was it a sample, and is its reading still to come?"""
    if not _enough(c, rule):
        c.cut_short += c.last_open_ms > 0  # 0: most of it was not watched
    elif rule.arrangement == "hold" or rule.held:
        c.due = True
    else:
        c.ended = c.of_opening == c.opening


def _continuous(c: Sampler, rule: SampleRule, t: int, at: int, value: float, reason: int, usable: bool) -> int:
    if c.flow_ms < 0:
        c.flow_ms = t
    if t - c.flow_ms < rule.flush_ms:
        return reason or int(Reason.FLUSHING)
    c.sees = True
    if usable:
        _take(c, value, reason, t, at)
    return reason


def _timed(c: Sampler, rule: SampleRule, t: int, at: int, value: float, reason: int, usable: bool) -> int:
    if c.open_ms >= 0:
        if c.flushed_ms < 0:
            return reason or int(Reason.FLUSHING)
        c.sees = not rule.held
        if c.sees and usable:
            _take(c, value, reason, t, at)
        return reason
    if not rule.held:
        return reason or int(Reason.NOT_SAMPLING)
    c.sees = c.shut_ms >= 0 and _enough(c, rule)  # a held signal goes on saying what the last sample said
    if c.due and usable:
        _take(c, value, reason, t, at)
        c.due, c.ended = False, True
    return reason


def _hold(
    c: Sampler, rule: SampleRule, t: int, at: int, value: float, reason: int, usable: bool, read_now: bool
) -> int:
    if c.open_ms >= 0:
        return reason or int(Reason.FLUSHING)
    if not c.due:
        return reason or int(Reason.NOT_SAMPLING)
    if t - c.shut_ms < rule.travel_ms + rule.settle_ms:
        return reason or int(Reason.SETTLING)
    c.sees = True
    if usable:
        _take(c, value, reason, t, at)
        c.ended = True
    if read_now:
        c.due = False
    return reason


def _take(c: Sampler, value: float, reason: int, t: int, at: int) -> None:
    c.value, c.reason, c.at_ms, c.elapsed_ms, c.of_opening = value, reason, at, t, c.opening
    c.cut_short = 0
    c.fresh = c.this_run = True
