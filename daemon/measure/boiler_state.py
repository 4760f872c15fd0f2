"""What the boiler is doing, as far as its wires tell.

A limit circuit that is open means tripped or switched off. A burner contact opens with every burner cycle: only a
long pause means off. Pressure, where wired, tells warming from steaming. What nothing wired can tell stays unknown
or, with nothing wired at all, is taken as steaming and `check` says so. Pure.

Figures (common practice, no source): a burner silent for 30 min is not steaming; steaming begins at 70 % and ends
below 50 % of the stated pressure; without a pressure signal a boiler warms for as long as it was off, 30 min at most.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from daemon.core.cells import Cell, cell
from daemon.core.tags import STATES

UNKNOWN, OFF, WARMING, STEAMING, HOT_STANDBY = (
    STATES.index(s) for s in ("unknown", "off", "warming", "steaming", "hot standby")
)
BURNER_PAUSE_MS: Final = 30 * 60_000
WARM_LONGEST_MS: Final = 30 * 60_000
STEAM_UP: Final = 0.7
STEAM_LOST: Final = 0.5


@dataclass(frozen=True, slots=True)
class StateRule:
    """How one boiler's state can be told: `contact` is "", "limit" or "burner"."""

    contact: str
    pressure_kpa: float
    has_pressure: bool
    waits: bool  # duty lag or standby: a silent burner is hot standby, not off


@cell
class StateCell(Cell):
    """The state (index in STATES), since when, and what it takes to decide the next."""

    state: int = UNKNOWN
    since_ms: int = 0
    since_at: int = 0
    fired_ms: int = -1  # last elapsed time the burner contact was seen firing
    idle_ms: int = -1  # since when the boiler has not been running, -1 while it runs
    warm_until_ms: int = 0


def decide(c: StateCell, rule: StateRule, closed: bool | None, pressure: float | None, t: int, at: int) -> bool:
    """Move to the state the wires show at `t` (elapsed ms); True when it changed.

    `closed`: the limit circuit says running, or the burner is firing; None while that is not known.
    `pressure`: kPa gauge, None when not wired or bad.
    """
    running: bool | None
    if rule.contact == "burner":
        if closed:
            c.fired_ms = t
        if c.fired_ms < 0:
            if closed is not None and c.idle_ms < 0:
                c.idle_ms = t
            running = None if c.idle_ms < 0 or t - c.idle_ms < BURNER_PAUSE_MS else False
        else:
            running = t - c.fired_ms < BURNER_PAUSE_MS
    elif rule.contact == "limit":
        running = closed
    elif rule.has_pressure:
        running = None if pressure is None else pressure >= rule.pressure_kpa * STEAM_LOST
    else:
        running = True
    if running is None:
        return False  # nothing known now: what was known stands
    if not running:
        return _to(c, HOT_STANDBY if rule.waits and rule.contact == "burner" else OFF, t, at)
    if c.state in (OFF, HOT_STANDBY):
        off_for = t - c.since_ms
        c.warm_until_ms = t if rule.has_pressure else t + min(off_for, WARM_LONGEST_MS)
    if pressure is not None and rule.has_pressure:
        enough = STEAM_LOST if c.state == STEAMING else STEAM_UP
        return _to(c, STEAMING if pressure >= rule.pressure_kpa * enough else WARMING, t, at)
    if rule.has_pressure and c.state in (OFF, HOT_STANDBY, WARMING):
        return _to(c, WARMING, t, at)  # its pressure is not known now
    return _to(c, STEAMING if t >= c.warm_until_ms else WARMING, t, at)


def _to(c: StateCell, state: int, t: int, at: int) -> bool:
    if state == c.state:
        return False
    c.state, c.since_ms, c.since_at = state, t, at
    return True
