"""What the blowdown valve is used to: how long its strokes take, what its blows do, how its sample line cools. Pure.

A stroke is the time from a change of the command to the end switch that answers it; both are dated at the first poll
that saw them, so one stroke is right to a poll and the mean of five to half of one. A blow's effect is the share of
conductivity it takes off in an hour of opening. A sample line cools while the valve is shut; how warm it still is
twenty minutes after, or late in a shorter pause, as a share of the way from the room to boiling, says whether
something passes.

Each is set against its own past: the first strokes, blows and pauses are what is usual, and stay it. Figures are
common practice, no source. May import: daemon.core, this room.
"""

from __future__ import annotations

from dataclasses import field
from statistics import fmean, median
from typing import TYPE_CHECKING, Final

from daemon.core.cells import Cell, cell
from daemon.core.outcome import Blow
from daemon.measure import probe_heat
from daemon.measure.looks import good_value, role_now

if TYPE_CHECKING:
    from daemon.measure.sampling import SampleRule
    from daemon.measure.senses import BoilerCell, Senses
    from daemon.measure.wiring import BoilerWiring

STROKES: Final = 12  # whose mean is what is usual
RECENT: Final = 5
NEVER_MS: Final = 10 * 60_000  # a switch that has not answered by then is no slow valve
BLOWS: Final = 20
SHORTEST_BLOW_MS: Final = 3 * 60_000
REST_MS: Final = 20 * 60_000  # after the valve shut, or
REST_SHARE: Final = 0.8  # of a stated interval of samples that is shorter; of one under ten minutes nothing is said
SHORTEST_EVERY_MS: Final = 10 * 60_000
RESTS: Final = 6
WARMER: Final = 0.25  # of the way from room to boiling
LATER: Final = 0.5  # of what is usual, and a poll
WEAKER: Final = 0.5  # of the usual effect
LEAST_EFFECT: Final = 0.02  # an hour: with less, an orifice is too small for its load, and nothing is said
HOUR_MS: Final = 3_600_000


@cell
class Stroke(Cell):
    """Strokes one way, in s: the mean of the first, and the last few."""

    n: int = 0
    usual: float = 0.0
    recent: tuple[float, ...] = ()


@cell
class ValveHabits(Cell):
    """What one valve is used to. `answered_ms`: the change of the command whose stroke is done with (elapsed ms)."""

    opening: Stroke = field(default_factory=Stroke)
    shutting: Stroke = field(default_factory=Stroke)
    answered_ms: int = -1
    effects: tuple[float, ...] = ()  # of the last blows, shares an hour
    effect: float = 0.0  # what is usual
    blows: int = 0
    rest_ms: int = -1  # the shutting whose pause was looked at
    rests: int = 0
    rest: float = 0.0  # usual warmth
    warmth: float = 0.0  # of the last pause
    celsius: float = 0.0  # and the probe's temperature then
    warm: int = 0  # pauses in a row that were warmer than usual


def rest_after(rule: SampleRule) -> int:
    """How long after the valve shut the warmth of the sample line is looked at, ms; 0: never."""
    if rule.arrangement not in ("timed", "hold") or rule.shared:
        return 0
    if rule.every_ms is None:
        return REST_MS
    return 0 if rule.every_ms < SHORTEST_EVERY_MS else min(REST_MS, round(REST_SHARE * rule.every_ms))


def follow(c: ValveHabits, s: Senses, b: BoilerCell, w: BoilerWiring, steaming: bool) -> None:
    """Take one group's view of a valve whose command is wired."""
    command = s.contacts[w.command.slot]
    if command.since_elapsed_ms != c.answered_ms and command.began:
        _stroke(c, s, w, command.since_elapsed_ms)
    if steaming and b.valve == 0 and c.rest_ms != b.valve_ms and s.t - b.valve_ms >= w.rest_ms > 0:
        _rest(c, s, b, w)


def _stroke(c: ValveHabits, s: Senses, w: BoilerWiring, since: int) -> None:
    commanded = role_now(s, w.command)
    if commanded is None:
        return
    first, other = (w.open_switch, w.shut_switch) if commanded else (w.shut_switch, w.open_switch)
    made = role_now(s, first) if first.slot >= 0 else _not(role_now(s, other))
    switch = first if first.slot >= 0 else other
    if switch.slot < 0 or s.t - since > NEVER_MS:
        c.answered_ms = since
        return
    came = s.contacts[switch.slot].since_elapsed_ms
    if not made or came < since:  # it may have been left as it was by an opening too short for it
        return
    c.answered_ms = since
    stroke, took = c.opening if commanded else c.shutting, (came - since) / 1000
    stroke.n += 1
    if stroke.n <= STROKES:
        stroke.usual += (took - stroke.usual) / stroke.n
    stroke.recent = (*stroke.recent, took)[-RECENT:]


def _not(x: bool | None) -> bool | None:
    return None if x is None else not x


def _rest(c: ValveHabits, s: Senses, b: BoilerCell, w: BoilerWiring) -> None:
    """Once in a pause: how warm the sample line still is."""
    c.rest_ms = b.valve_ms
    celsius = good_value(s, w.probe_temperature)
    if celsius is None or b.watch.heat.hot < probe_heat.HOT_SEEN or s.t - b.state.since_ms < w.rest_ms:
        return
    kpa = good_value(s, w.steam_pressure)
    hottest = probe_heat.boiling(b.watch.heat, w.watch_rule.pressure_kpa if kpa is None else kpa)
    c.celsius = celsius
    c.warmth = (celsius - probe_heat.ROOM_C) / max(1.0, hottest - probe_heat.ROOM_C)
    if c.rests < RESTS:
        c.rests += 1
        c.rest += (c.warmth - c.rest) / c.rests
        return
    c.warm = c.warm + 1 if c.warmth > warm_from(c) else 0


def warm_from(c: ValveHabits) -> float:
    """The warmth above which something passes: clearly more than usual, and half way to boiling at least."""
    return max(probe_heat.HALF_WAY, c.rest + WARMER)


def blown(c: ValveHabits, blow: Blow) -> None:
    """Take a finished blow."""
    if not blow.complete or blow.shared or blow.by_hand or blow.open_ms < SHORTEST_BLOW_MS:
        return
    if not blow.sampled or blow.ended_at is None:
        return
    c.blows += 1
    effect = (1 - blow.ended_at / blow.sampled) * HOUR_MS / blow.open_ms
    c.effects = (*c.effects, effect)[-BLOWS:]
    if c.blows == BLOWS:
        c.effect = median(c.effects)


def late(stroke: Stroke, travel_s: float, poll_s: float) -> tuple[float, float] | None:
    """The mean of the last strokes and the most it may be, s; None where too few were seen.

    `travel_s`: as the plant file states it, 0 where it says nothing.
    """
    if stroke.n < RECENT:
        return None
    most = travel_s * (1 + LATER) + poll_s if travel_s else 0.0
    if stroke.n >= STROKES + RECENT:
        own = stroke.usual + max(LATER * max(travel_s, stroke.usual), poll_s)
        most = min(most, own) if most else own
    return (fmean(stroke.recent), most) if most else None


def weak(c: ValveHabits) -> tuple[float, float] | None:
    """The effect of the last blows and the least it may be, shares an hour; None where that cannot be said."""
    if c.blows < BLOWS + RECENT or c.effect < LEAST_EFFECT:
        return None
    return median(c.effects[-RECENT:]), WEAKER * c.effect
