"""What a mail says after a time in which nothing was watched: from when to when, why, what stood, what was counted.

Pure. May import: config, daemon.core, daemon.alarms.kinds, daemon.engine, daemon.notify.roster.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from config.model import Plant
from daemon.alarms.kinds import KINDS
from daemon.core.outcome import Notice
from daemon.core.say import minutes, say
from daemon.engine import State
from daemon.notify.roster import zone_of

STOPPED: Final = "the service was stopped in order"
ENDED: Final = "the service ended without being stopped: power cut, crash or a kill"
BOOTED: Final = "the PC itself was started anew meanwhile: power cut, restart or update"
_STANDS: Final = ("unacknowledged", "acknowledged")


@dataclass(frozen=True, slots=True)
class Watched:
    """What was known at one moment: alarms that stand by number, totals of the meters in m3."""

    at_ms: int
    alarms: tuple[tuple[int, str], ...]
    totals: tuple[tuple[str, str, float, int], ...]  # meter, what it measures, m3, when it was last read (elapsed ms)


def watched(plant: Plant, state: State | None) -> Watched | None:
    """The moment of a state, None where there is none."""
    if state is None:
        return None
    s, w = state.cells.senses, state.programme.wiring
    alarms = tuple(
        (c.occurrence, f"{a.target} {KINDS[a.kind].title.lower()}")
        for a, c in zip(state.programme.alarms, state.cells.alarms, strict=True)
        if c.state in _STANDS and a.kind != "logger_gap"
    )
    measures = {m.name: m.measures for m in plant.meters}
    counters = ((m, s.counters[m.slot]) for m in w.meters)
    totals = tuple((m.name, measures.get(m.name, ""), c.volume(m.spec), c.last_elapsed_ms) for m, c in counters)
    return Watched(s.at, alarms, totals)


def with_gap(notices: Sequence[Notice], plant: Plant, before: Watched | None, after: Watched, why: str) -> list[Notice]:
    """The notices, the one of the gap with all that is known of it."""
    return [
        replace(n, evidence=gap_text(plant, before, after, why)) if n.kind == "logger_gap" and before else n
        for n in notices
    ]


def gap_text(plant: Plant, before: Watched | None, after: Watched, why: str) -> str:
    """One paragraph. Times are the plant's."""
    if before is None:
        return ""
    zone = zone_of(plant)
    begin, end = (
        datetime.fromtimestamp(t / 1000, zone).strftime("%a %d %b %H:%M") for t in (before.at_ms, after.at_ms)
    )
    said = [f"not watching from {begin} to {end} ({minutes(after.at_ms - before.at_ms)})"]
    said.append(why or "why is not known")
    said.append(f"stood before: {_list(before.alarms)}")
    said.append(f"stands now: {_list(after.alarms)}")
    old = {name: (m3, read) for name, _, m3, read in before.totals}
    passed = [
        f"{name} {say(m3 - old[name][0], 'm3 gas' if measures == 'fuel' else 'm3', plant.plant.units)}"
        for name, measures, m3, read in after.totals
        if name in old and read > old[name][1] >= 0
    ]
    said.append(f"counted meanwhile: {', '.join(passed)}" if passed else "no meter tells what passed meanwhile")
    return "; ".join(said)


def _list(alarms: tuple[tuple[int, str], ...]) -> str:
    return ", ".join(f"{n} {what}" for n, what in alarms) or "no alarm"
