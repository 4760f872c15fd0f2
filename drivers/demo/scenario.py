"""What happens at the creamery, as a table of plant minutes since the start of the demo.

Every line is a cause that acts through the physics or the wiring; nothing here draws a reading. The first five hours
show the main job; afterwards a milder schedule repeats, so that days of running stay interesting.
Pure. Imports nothing of ours.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import inf
from typing import Final, Literal

What = Literal[
    "valve stuck shut",  # whom: boiler
    "valve leaks",  # whom: boiler; amount: share of full opening that stays open
    "burner trip",  # whom: boiler: the limit circuit opens for as long
    "in hand",  # whom: boiler: its blowdown controller is switched out of automatic
    "condensate lost",  # amount: share of the condensate that is lost
    "brine in makeup",  # amount: conductivity added to the makeup, uS/cm
    "condensate fouled",  # amount: conductivity added, uS/cm
    "bleed plugged",  # whom: boiler; amount: share of the throttle that is plugged
    "bottom blowdown",  # whom: boiler; amount: kg/s
    "cut-off test",  # whom: boiler: water is drained from the low-water float chamber
    "loop open",  # whom: a current input, "ai.b1_cond"
    "module silent",  # whom: module
    "counters restart",  # whom: module: its registers begin at 0 again
    "tank filled",  # whom: scavenger_tank or polymer_tank
    "load",  # amount: factor on the steam taken
]


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happens, from minute `start` up to `end` (plant minutes since the demo began)."""

    start: float
    end: float
    what: What
    whom: str = ""
    amount: float = 1.0


DEFAULT_START_MS: Final = 1_793_797_200_000  # Wednesday 2026-11-04 07:00 at the creamery

FIRST: Final[tuple[Event, ...]] = (
    # A condensate pump stops and the softener has come back from regeneration with brine in it: feedwater grows more
    # than twice as salty. At B2 the blowdown controller is left in hand, so nothing answers: high conductivity.
    Event(20, 86, "condensate lost", "", 0.9),
    Event(20, 86, "brine in makeup", "", 250.0),
    Event(21, 106, "in hand", "B2"),
    # While that alarm stands, B2's burner trips: its limit circuit opens and what follows from it is held back.
    Event(78, 98, "burner trip", "B2"),
    # The actuator of B1's blowdown valve no longer lifts the valve: commanded open, nothing flows.
    Event(126, 208, "valve stuck shut", "B1"),
    Event(290, 290.2, "bottom blowdown", "B1", 5.0),
)
FIRST_MINUTES: Final = 300.0

CYCLE: Final[tuple[Event, ...]] = (
    # minutes since the cycle began; a cycle is three days
    Event(60, 75, "burner trip", "B1"),
    Event(190, 190.2, "bottom blowdown", "B2", 5.0),
    Event(240, 420, "condensate fouled", "", 70.0),
    Event(520, 580, "brine in makeup", "", 150.0),
    Event(640, 665, "in hand", "B1"),
    Event(700, 1060, "valve leaks", "B2", 0.12),
    Event(1053, 1053.5, "cut-off test", "B1"),
    Event(1058, 1058.5, "cut-off test", "B2"),
    Event(1140, 1141, "tank filled", "polymer_tank"),
    Event(1200, 1204, "module silent", "aux"),
    Event(1320, 1340, "loop open", "ai.b2_cond"),
    Event(1500, 1500.2, "bottom blowdown", "B1", 5.0),
    Event(1620, 1740, "valve stuck shut", "B2"),
    Event(2000, 2001, "counters restart", "counters"),
    Event(2100, 2190, "bleed plugged", "B2", 1.0),
    Event(2493, 2493.5, "cut-off test", "B1"),
    Event(2498, 2498.5, "cut-off test", "B2"),
    Event(2600, 2720, "condensate lost", "", 0.5),
    Event(2900, 2912, "module silent", "di"),
    Event(3000, 3001, "tank filled", "scavenger_tank"),
    Event(3001, 3002, "tank filled", "polymer_tank"),
    Event(3200, 3210, "burner trip", "B2"),
    Event(3500, 3500.2, "bottom blowdown", "B2", 5.0),
    Event(3933, 3933.5, "cut-off test", "B1"),
    Event(3938, 3938.5, "cut-off test", "B2"),
    Event(4000, 4150, "valve leaks", "B1", 0.10),
)
CYCLE_MINUTES: Final = 3 * 1440.0


def _from(minute: float) -> Iterator[Event]:
    """Events that may be running at `minute` or come next: the first hours, then this cycle and the next."""
    yield from FIRST
    cycle = max(0, int((minute - FIRST_MINUTES) // CYCLE_MINUTES))
    for n in (cycle, cycle + 1):
        shift = FIRST_MINUTES + n * CYCLE_MINUTES
        for e in CYCLE:
            yield Event(e.start + shift, e.end + shift, e.what, e.whom, e.amount)


def running(minute: float, events: Iterable[Event] | None = None) -> tuple[Event, ...]:
    """What is going on at a plant minute, by the demo's schedule or by `events` alone."""
    return tuple(e for e in (_from(minute) if events is None else events) if e.start <= minute < e.end)


def next_change(minute: float, events: Iterable[Event] | None = None) -> float:
    """The first plant minute after `minute` at which something begins or ends; infinity when nothing does."""
    found = _from(minute) if events is None else events
    return min((m for e in found for m in (e.start, e.end) if m > minute), default=inf)
