"""Level of a tank to its volume: upright, lying cylinder, or by a table. Compiled once a plant. Pure.

A lying cylinder with flat ends filled to the share x of its diameter holds the share
(acos(1 - 2x) - 2 (1 - 2x) sqrt(x - x^2)) / pi of its volume: the area of a circle's segment.
May import: config, daemon.core.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Final

from config.model import Tank
from daemon.core.cells import Cell, cell
from daemon.core.reasons import Reason

G: Final = 9.80665  # m/s2
OUTSIDE: Final = 0.02  # of the full level, by which it may leave the tank before that is said
CHANGED: Final = 0.002  # of the full volume: less is not told anew


@dataclass(frozen=True, slots=True)
class TankSpec:
    """`full`: the level, in the base unit of its signal, at which `volume` (m3) is reached; `table` of those two."""

    form: str
    full: float
    volume: float
    table: tuple[tuple[float, float], ...] = ()

    def holds(self, level: float) -> tuple[float, int]:
        """m3 at a level, and GOOD or LEVEL_OUTSIDE; beyond the ends it is what the tank holds at that end."""
        x = level / self.full
        why = 0 if -OUTSIDE <= x <= 1 + OUTSIDE else int(Reason.LEVEL_OUTSIDE)
        x = min(max(x, 0.0), 1.0)
        if self.form == "table":
            return _between(self.table, level), why
        return (segment(x) if self.form == "horizontal" else x) * self.volume, why


def segment(x: float) -> float:
    """The share of a circle's area below the share `x` (0 to 1) of its diameter."""
    c = 1 - 2 * x
    return min(max((math.acos(c) - 2 * c * math.sqrt(x - x * x)) / math.pi, 0.0), 1.0)


def tank_spec(tank: Tank) -> TankSpec | None:
    """How a tank's level tells its volume; None where it does not."""
    if not tank.tells_volume or tank.level is None:
        return None
    kind, shape = tank.level.range.kind, tank.shape
    if kind == "volume":
        return TankSpec("upright", tank.volume, tank.volume)
    if shape is None:
        return TankSpec("upright", 100.0, tank.volume)
    per_m = G * shape.gravity if kind == "pressure" else 1.0  # kPa of a metre of it
    if shape.form == "table":
        table = tuple((p.level * per_m, p.volume) for p in shape.table)
        return TankSpec("table", table[-1][0], table[-1][1], table)
    return TankSpec(shape.form, 100.0 if kind == "ratio" else (shape.full or 1.0) * per_m, tank.volume)


def _between(table: tuple[tuple[float, float], ...], level: float) -> float:
    at = bisect_right(table, level, key=lambda p: p[0])
    if at == 0:
        return table[0][1]
    if at == len(table):
        return table[-1][1]
    (l0, v0), (l1, v1) = table[at - 1], table[at]
    return v0 + (level - l0) / (l1 - l0) * (v1 - v0)


@cell
class LevelCell(Cell):
    """The volume last told, m3, and its reason; -1 before the first."""

    m3: float = -1.0
    reason: int = -1

    def follow(self, level: float | None, why: int, spec: TankSpec, repeat: bool) -> tuple[float, int] | None:
        """Take a reading; volume and reason when they are to be told. A bad level has no volume: 0."""
        value, outside = (0.0, 0) if level is None else spec.holds(level)
        reason = why or outside
        if not repeat and reason == self.reason and abs(value - self.m3) < CHANGED * spec.volume:
            return None
        self.m3, self.reason = value, reason
        return value, reason
