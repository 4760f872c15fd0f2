"""When the probe sees boiler water: the sampling arrangements and the representative reading.

continuous   every reading while the boiler steams, once the line has had its flush time
timed        from the end of the flush to the shutting of the valve; a held signal counts once, as the valve shuts
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

USABLE: Final = frozenset({Reason.GOOD, Reason.OVER_RANGE, Reason.UNDER_RANGE, Reason.RANGE_HIGH_END, Reason.INFERRED})
"""Reasons under which a flowing sample's reading may stand as representative."""

GAPS_KEPT: Final = 7


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

    `fresh` and `ended` speak of the present group only: a new representative reading came; an opening that gave one
    has ended.
    """

    open_ms: int = -1  # elapsed time the valve opened, -1 while shut or unknown
    shut_ms: int = -1  # elapsed time it last shut
    opening: int = 0  # openings seen so far
    last_open_ms: int = 0  # length of the last opening
    flow_ms: int = -1  # since when sample has flowed in a continuous arrangement, -1 when it does not
    settle_due: bool = False
    value: float | None = None  # representative, uS/cm
    reason: int = int(Reason.NOT_KNOWN_YET)
    at_ms: int = 0
    elapsed_ms: int = -1
    of_opening: int = -1  # the opening the reading belongs to
    this_run: bool = False  # a sample has been seen since the boiler began to steam
    cut_short: int = 0
    fresh: bool = False
    ended: bool = False
    flushed_ms: int = -1  # elapsed time the present opening's flush ended, -1 before
    gaps: tuple[int, ...] = ()  # ms between the last samples


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
    c.fresh = c.ended = False
    just_shut = _valve(c, rule, t, valve_open)
    if not steaming:
        c.this_run = False
        c.flow_ms = c.flushed_ms = -1
        c.settle_due = False
        return reason if reason and quality(reason) is Quality.BAD else int(Reason.BOILER_OFF)
    if value is None:
        return reason
    usable = reason in USABLE
    if rule.arrangement in ("continuous", "side-stream"):
        if c.flow_ms < 0:
            c.flow_ms = t
        if t - c.flow_ms < rule.flush_ms:
            return reason or int(Reason.FLUSHING)
        if read_now and usable:
            _take(c, value, reason, t, at)
        return reason
    if rule.arrangement == "none":
        return reason or int(Reason.NOT_SAMPLING)
    if not rule.valve_known:
        if read_now and usable:
            _take(c, value, reason or int(Reason.INFERRED), t, at)
        return reason or int(Reason.INFERRED)
    if rule.arrangement == "timed":
        return _timed(c, rule, t, at, value, reason, usable, read_now, just_shut)
    return _hold(c, rule, t, at, value, reason, usable, read_now, just_shut)


def _valve(c: Sampler, rule: SampleRule, t: int, valve_open: bool | None) -> bool:
    """Follow the valve; True in the group it is first seen shut."""
    if valve_open is None:
        return False
    if valve_open:
        if c.open_ms < 0:
            c.open_ms, c.flushed_ms = t, -1
            c.opening += 1
            c.settle_due = False
        if c.flushed_ms < 0 and t - c.open_ms >= rule.travel_ms + rule.flush_ms:
            c.flushed_ms = t
        return False
    if c.open_ms < 0:
        return False
    c.last_open_ms = t - c.open_ms
    c.open_ms, c.shut_ms = -1, t
    return True


def _timed(
    c: Sampler,
    rule: SampleRule,
    t: int,
    at: int,
    value: float,
    reason: int,
    usable: bool,
    read_now: bool,
    just_shut: bool,
) -> int:
    if c.open_ms >= 0:
        if c.flushed_ms < 0:
            return reason or int(Reason.FLUSHING)
        if not rule.held and read_now and usable:
            _take(c, value, reason, t, at)
        return reason
    if just_shut:
        if c.last_open_ms < rule.travel_ms + rule.flush_ms:
            c.cut_short += 1
        elif rule.held:
            if read_now and usable:
                _take(c, value, reason, t, at)
                c.ended = True
        else:
            c.ended = c.of_opening == c.opening
    if rule.held and usable:
        return reason  # a held signal goes on saying what the last sample said
    return reason or int(Reason.NOT_SAMPLING)


def _hold(
    c: Sampler,
    rule: SampleRule,
    t: int,
    at: int,
    value: float,
    reason: int,
    usable: bool,
    read_now: bool,
    just_shut: bool,
) -> int:
    if c.open_ms >= 0:
        return reason or int(Reason.FLUSHING)
    if just_shut:
        c.settle_due = c.last_open_ms >= rule.flush_ms
        c.cut_short += not c.settle_due
    if c.settle_due:
        if t - c.shut_ms < rule.travel_ms + rule.settle_ms:
            return reason or int(Reason.SETTLING)
        if read_now:
            c.settle_due = False
            if usable:
                _take(c, value, reason, t, at)
                c.ended = True
        return reason
    return reason or int(Reason.NOT_SAMPLING)


def _take(c: Sampler, value: float, reason: int, t: int, at: int) -> None:
    if c.of_opening != c.opening and c.elapsed_ms >= 0 and c.this_run:
        c.gaps = (*c.gaps, t - c.elapsed_ms)[-GAPS_KEPT:]
    c.value, c.reason, c.at_ms, c.elapsed_ms, c.of_opening = value, reason, at, t, c.opening
    c.fresh = c.this_run = True
