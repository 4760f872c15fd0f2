"""A change faster than the boiler's water can make: bounded by the mass balance. Pure.

d(M C)/dt = F Cf - B C. Upwards, the most is the full load's steam leaving behind feedwater half as salty as the boiler
water (two cycles, fewer are not met in practice), doubled for water that a level swing adds and takes. Downwards, the
most is pure water in the place of full load's steam and a full blow, doubled too. A step beside that is forgiven:
bottom blowdown, noise, a neighbour's feedwater (4 % of the reading and half a per cent of the span).

A reading beyond the bound is uncertain. When readings have stayed near the new value for `ACCEPTED_MS` of flowing
sample (or over three openings), it is taken as a known break: a wall instrument was calibrated, or a range changed.
Without the boiler's water and greatest steam flow in the plant file nothing is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from daemon.core.cells import Cell, cell

STEP: Final = 0.04
STEP_SPAN: Final = 0.005
ACCEPTED_MS: Final = 10 * 60_000
ACCEPTED_OPENINGS: Final = 3
STAYED_MS: Final = 60_000  # a doubt that lasts so long and does not go back is a step, possible by now or not
DOUBLED: Final = 2.0
HOUR_MS: Final = 3_600_000


@dataclass(frozen=True, slots=True)
class RateRule:
    """Shares of the reading by which it may rise and fall in a ms; 0 where the plant file does not say enough."""

    up: float = 0.0
    down: float = 0.0


def rate_rule(water_kg: float | None, steam_max: float | None, opening_flow: float | None) -> RateRule:
    """From the boiler's water (kg), greatest steam flow and the blowdown valve's flow (kg/h)."""
    if not water_kg or not steam_max:
        return RateRule()
    blow = opening_flow or steam_max
    return RateRule(
        DOUBLED * 0.5 * (steam_max + blow) / water_kg / HOUR_MS, DOUBLED * (steam_max + blow) / water_kg / HOUR_MS
    )


@cell
class Rate(Cell):
    """The last believable reading, and the one that stands in doubt (`doubt_ms` -1: none)."""

    level: float | None = None
    level_ms: int = -1
    doubt: float = 0.0
    doubt_ms: int = -1
    openings: int = 0
    opening: int = -1
    stepped_ms: int = -1  # when a step was last taken as a break, and from where to where it led
    step_from: float = 0.0
    step_to: float = 0.0


def _beyond(old: float, new: float, ms: int, rule: RateRule, span: float) -> bool:
    step = STEP * max(abs(old), abs(new)) + STEP_SPAN * span
    share = rule.up if new > old else rule.down
    return abs(new - old) > step + share * max(abs(old), abs(new)) * ms


def impossible(c: Rate, rule: RateRule, value: float, t: int, opening: int, span: float) -> bool:
    """Take one reading of flowing sample; True while it is further from the last believable one than can be."""
    if rule.up <= 0:
        return False
    if c.level is None or not _beyond(c.level, value, t - c.level_ms, rule, span):
        if c.level is not None and 0 <= c.doubt_ms <= t - STAYED_MS and _beyond(c.level, value, 0, rule, span):
            c.stepped_ms, c.step_from, c.step_to = t, c.level, value  # by now it could be; it began by a step
        c.level, c.level_ms, c.doubt_ms = value, t, -1
        return False
    if c.doubt_ms < 0 or _beyond(c.doubt, value, t - c.doubt_ms, rule, span):
        c.doubt, c.doubt_ms, c.openings, c.opening = value, t, 1, opening
        return True
    if opening != c.opening:
        c.openings, c.opening = c.openings + 1, opening
    if t - c.doubt_ms < ACCEPTED_MS or (opening != 0 and c.openings < ACCEPTED_OPENINGS and t - c.doubt_ms < HOUR_MS):
        return True
    c.stepped_ms, c.step_from, c.step_to = t, c.level, value
    c.level, c.level_ms, c.doubt_ms = value, t, -1
    return False
