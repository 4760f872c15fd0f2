"""Everything that is judged of one probe's signal itself, joined: one verdict a poll.

Order: what makes a reading bad comes first (steam at the probe, value stuck, sample cold), then what makes it
uncertain (faster than boiler water can change, noisier than its history). Tests of the signal need a live one: of a
held signal only the sample's temperature is judged. Pure. May import: daemon.core, this room.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from daemon.core.cells import Cell, cell
from daemon.core.reasons import Reason
from daemon.measure import flashing, liveness, noise, probe_heat, rate, still
from daemon.measure.current_loop import Line
from daemon.measure.flashing import Flash
from daemon.measure.liveness import Liveness
from daemon.measure.noise import Noise
from daemon.measure.probe_heat import Heat
from daemon.measure.rate import Rate, RateRule
from daemon.measure.still import Still

NO_BOUNDS: Final = RateRule()
POLLS: Final = 3  # neighbours of one series are at most so many polls apart


@dataclass(frozen=True, slots=True)
class WatchRule:
    """What does not change: the signal's span and resolution in its unit, its poll, and the boiler's bounds."""

    span: float = 0.0
    resolution: float = 0.0
    poll_ms: int = 10_000
    rate: RateRule = NO_BOUNDS
    pressure_kpa: float = 0.0
    heats: bool = False  # a probe temperature is wired, of an uncooled sample


@cell
class Watch(Cell):
    """What the verdicts remember of one probe; `reason`: the last one's, 0 for none."""

    still: Still = field(default_factory=Still)
    flash: Flash = field(default_factory=Flash)
    noise: Noise = field(default_factory=Noise)
    rate: Rate = field(default_factory=Rate)
    heat: Heat = field(default_factory=Heat)
    live: Liveness = field(default_factory=Liveness)
    reason: int = 0
    t: int = -1


def watch_rule(
    line: Line | None, span: float, poll_ms: int, bounds: RateRule, pressure_kpa: float, heats: bool
) -> WatchRule:
    """The rule of a probe; `span` in its unit."""
    if line is None:
        return WatchRule()
    return WatchRule(abs(span), line.resolution, poll_ms, bounds, pressure_kpa, heats)


def judge(
    c: Watch,
    rule: WatchRule,
    raw: float,
    value: float,
    t: int,
    flowing: bool,
    at_end: bool,
    held: bool,
    opening: int,
) -> int:
    """Take one poll of a sound loop's value; the reason it is not what it claims, 0 for none.

    `raw` as the loop says, `value` at 25 °C and corrected; `at_end`: it rests at an end of its range, which is a
    verdict of its own and no noise, no spike and no stillness.
    """
    if t == c.t:  # a second group of the same instant
        return c.reason
    c.t = t
    if held or at_end:
        noise.forget(c.noise)
        c.still.last = None
        c.reason = int(Reason.SAMPLE_COLD) if c.heat.on and flowing else 0
        return c.reason
    stuck = still.stuck(c.still, raw, t, flowing, rule.resolution / rule.span if rule.span > 0 else 0.0)
    why = 0
    if not flowing:
        noise.forget(c.noise)
    else:
        loud = noise.grown(c.noise, raw, t, rule.span, rule.resolution, POLLS * rule.poll_ms)
        usual = noise.usual(c.noise)
        if flashing.flashing(c.flash, raw, t, usual, rule.span, rule.resolution):
            why = int(Reason.STEAM_AT_PROBE)
        elif stuck:
            why = int(Reason.VALUE_STUCK)
        elif c.heat.on:
            why = int(Reason.SAMPLE_COLD)
        elif rate.impossible(c.rate, rule.rate, value, t, opening, rule.span):
            why = int(Reason.IMPOSSIBLE_RATE)
        elif loud:
            why = int(Reason.NOISY)
    c.reason = why
    return why


def temperature(
    c: Watch, rule: WatchRule, celsius: float | None, kpa: float | None, t: int, flowing: bool, neighbour: bool
) -> int:
    """Take the probe's temperature (None: not good now); the reason it is not to be used, 0 for none."""
    if celsius is None or rule.pressure_kpa <= 0:
        return 0
    hottest = rule.pressure_kpa if kpa is None else max(kpa, rule.pressure_kpa)
    if probe_heat.above_boiling(c.heat, celsius, hottest, t):
        c.heat.on = False
        return int(Reason.ABOVE_BOILING)
    if rule.heats:
        probe_heat.cold(c.heat, celsius, kpa if kpa is not None else rule.pressure_kpa, flowing, neighbour)
    return 0


def stands(c: Watch, rule: WatchRule, celsius: float | None, kpa: float | None, t: int) -> bool | None:
    """For a sample whose valve is not wired: does the water at the probe stand? None where nothing tells."""
    if celsius is None or not rule.heats or rule.pressure_kpa <= 0:
        return None
    said = probe_heat.stands(c.heat, celsius, kpa if kpa is not None else rule.pressure_kpa, t)
    return said if c.heat.hot >= probe_heat.HOT_SEEN else None


def known_break(c: Watch) -> None:
    """A calibration: what comes next is not held against what came before."""
    c.rate.level, c.rate.doubt_ms = None, -1
    noise.forget(c.noise)


def judged(c: Watch, t: int) -> bool:
    """Whether a live signal of flowing sample was judged in the group of `t`: else its verdicts say nothing now."""
    return c.t == t and c.noise.b_ms == t


def idle(c: Watch) -> None:
    """The boiler does not steam: what its water does meanwhile is bounded by nothing known here."""
    c.rate.level, c.rate.doubt_ms = None, -1
    c.heat.on, c.heat.cold = False, 0
    noise.forget(c.noise)
    c.reason = 0


def taken_as_held(c: Liveness, stated: bool, held: bool) -> bool:
    """Whether the signal is taken as held: as stated, else as learned, else held."""
    return held if stated or c.now == liveness.UNKNOWN else c.now == liveness.HELD
