"""What the boiler is doing, as far as its wires tell.

A limit circuit that is open means tripped or switched off. A burner contact opens with every burner cycle: only a
long pause means off. Pressure, where wired, tells warming from steaming. Pure.

Alarms are held back while a boiler is not steaming, so what nothing tells must not stay so for ever: a signal that
cannot be read leaves what was known for a time, and after it the boiler is taken as steaming, as it is with nothing
wired at all (`check` says so).

What no wire tells a person says: laid up, drained (`aside`, `spoken`).

Figures (common practice, no source): a burner silent for 30 min is not steaming; steaming begins at 70 % and ends
below 50 % of the stated pressure; a boiler that holds more than 25 % of it for 4 h makes steam at that pressure;
without a pressure signal a boiler warms for as long as it was off, 30 min at most; a contact that has not been read
for 10 min since the start, or for an hour later on, tells nothing any more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from daemon.core.cells import Cell, cell
from daemon.core.tags import STATES

UNKNOWN, OFF, WARMING, STEAMING, HOT_STANDBY, LAID_UP, DRAINED = (
    STATES.index(s) for s in ("unknown", "off", "warming", "steaming", "hot standby", "laid up", "drained")
)
BURNER_PAUSE_MS: Final = 30 * 60_000
WARM_LONGEST_MS: Final = 30 * 60_000
STEAM_UP: Final = 0.7
STEAM_LOST: Final = 0.5
SOME_STEAM: Final = 0.25
SLOW_WARM_MS: Final = 4 * 3_600_000
NEVER_READ_MS: Final = 10 * 60_000
UNREADABLE_MS: Final = 3_600_000


@dataclass(frozen=True, slots=True)
class StateRule:
    """How one boiler's state can be told: `contact` is "", "limit" or "burner"."""

    contact: str
    pressure_kpa: float
    has_pressure: bool
    waits: bool  # duty lag or standby: a silent burner is hot standby, not off


@cell
class StateCell(Cell):
    """The state (index in STATES), since when, and what it takes to decide the next. Times elapsed ms, -1 for not."""

    state: int = UNKNOWN
    since_ms: int = 0
    since_at: int = 0
    fired: bool = False  # the burner contact has been seen firing
    silent_ms: int = -1  # since when the burner has been seen not firing
    blind_ms: int = -1  # since when what tells running from not (contact, else pressure) cannot be read
    dark_ms: int = -1  # since when a warming boiler's pressure cannot be read
    warm_until_ms: int = 0
    lost: float = STEAM_LOST  # the share of the stated pressure below which it no longer steams


def spoken(c: StateCell, state: int, t: int, at: int) -> bool:
    """A person says what the boiler is: its wires are not asked; True when that is new. See `aside`."""
    c.blind_ms = c.dark_ms = c.silent_ms = -1
    c.fired = False
    return _to(c, state, t, at)


def decide(c: StateCell, rule: StateRule, closed: bool | None, pressure: float | None, t: int, at: int) -> bool:
    """Move to the state the wires show at `t` (elapsed ms); True when it changed.

    `closed`: the limit circuit says running, or the burner is firing; None while that is not known.
    `pressure`: kPa gauge, None when not wired or bad.
    """
    if c.state in (LAID_UP, DRAINED):  # nobody says so any more: as after a time off
        c.state = OFF
    blind = (closed is None) if rule.contact else (rule.has_pressure and pressure is None)
    if not blind:
        c.blind_ms = -1
    elif c.blind_ms < 0:
        c.blind_ms = t
    patience = NEVER_READ_MS if c.state == UNKNOWN else UNREADABLE_MS
    given_up = blind and t - c.blind_ms >= patience
    running = _running(c, rule, closed, pressure, t, given_up)
    if running is None:
        return _to(c, STEAMING, t, at) if given_up else False
    if not running:
        c.dark_ms, c.lost = -1, STEAM_LOST
        return _to(c, HOT_STANDBY if rule.waits and rule.contact == "burner" else OFF, t, at)
    if c.state in (OFF, HOT_STANDBY):
        c.warm_until_ms = t + min(t - c.since_ms, WARM_LONGEST_MS)
    if rule.has_pressure:
        return _to(c, STEAMING if _steams(c, rule, pressure, t) else WARMING, t, at)
    return _to(c, STEAMING if t >= c.warm_until_ms else WARMING, t, at)


def _running(
    c: StateCell, rule: StateRule, closed: bool | None, pressure: float | None, t: int, given_up: bool
) -> bool | None:
    """Is the boiler meant to make steam, or making it? None where nothing tells."""
    up = None if pressure is None else pressure >= rule.pressure_kpa * STEAM_LOST
    if not rule.contact:
        return up if rule.has_pressure else True
    running = closed if rule.contact == "limit" else _burning(c, closed, t)
    if running is None and (c.state == UNKNOWN or given_up):
        return up  # the contact does not tell: pressure, where wired, does
    return running


def _burning(c: StateCell, closed: bool | None, t: int) -> bool | None:
    if closed is None:
        return None
    if closed:
        c.fired, c.silent_ms = True, -1
        return True
    if c.silent_ms < 0:
        c.silent_ms = t
    if t - c.silent_ms >= BURNER_PAUSE_MS:
        return False
    return True if c.fired else None


def _steams(c: StateCell, rule: StateRule, pressure: float | None, t: int) -> bool:
    """Whether a boiler with a pressure signal makes steam, given that it is running."""
    if pressure is None:
        if c.state in (STEAMING, UNKNOWN):
            return True
        c.dark_ms = t if c.dark_ms < 0 else c.dark_ms
        return t - c.dark_ms >= WARM_LONGEST_MS
    c.dark_ms = -1
    share = pressure / rule.pressure_kpa if rule.pressure_kpa > 0 else 1.0
    if share >= STEAM_UP:
        c.lost = STEAM_LOST
    elif c.state == WARMING and t - c.since_ms >= SLOW_WARM_MS and share >= SOME_STEAM:
        c.lost = SOME_STEAM * STEAM_UP
        return True
    return share >= (c.lost if c.state == STEAMING else STEAM_UP)


def _to(c: StateCell, state: int, t: int, at: int) -> bool:
    if state == c.state:
        return False
    c.state, c.since_ms, c.since_at = state, t, at
    return True
