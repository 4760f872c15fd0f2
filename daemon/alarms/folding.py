"""Which alarms follow from which: a consequence is journalled with its cause named, and is no mail of its own.

A silent module or a link that is down is the cause of what misses its readings; low water or a lockout that came with
it is the cause of an open interlock. Low water and what never is hidden follow from nothing. Pure. May import:
daemon.core, daemon.measure.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from daemon.alarms.condition import Alarm
from daemon.alarms.contacts import InterlockOpen
from daemon.alarms.withheld import OF_TAG
from daemon.measure.senses import Senses
from daemon.measure.wiring import Wiring

FOLLOWS_SILENCE: Final = frozenset(
    {
        "controller_idle",
        "dose_out_of_band",
        "meter_stopped",
        "no_representative_sample",
        "pump_not_as_paced",
        "pump_without_effect",
    }
)
"""Kinds that may be raised because readings are missing; every other kind says nothing without readings."""

_ALSO: Final = {"no_representative_sample": ("valve_command", "valve_open_switch", "valve_shut_switch")}


def causes(alarms: Sequence[Alarm], w: Wiring) -> tuple[tuple[int, ...], ...]:
    """For each alarm the indices of those it may follow from, in plant-file order; mostly none."""
    at = {a.identity: i for i, a in enumerate(alarms)}
    return tuple(tuple(at[x] for x in _of(a, w) if x in at) for a in alarms)


def follows(alarm: Alarm, cause: Alarm, s: Senses) -> bool:
    """Whether an alarm that is raised now follows from a cause that stands."""
    condition = alarm.condition
    return condition.came_with(s) == cause.kind if isinstance(condition, InterlockOpen) else True


def _of(a: Alarm, w: Wiring) -> list[tuple[str, str, str]]:
    if a.never_hidden:
        return []
    if a.kind == "interlock_open":
        return [(a.target, "low_water", ""), (a.target, "lockout", "")]
    if a.kind not in FOLLOWS_SILENCE:
        return []
    boiler = any(b.name == a.target for b in w.boilers)
    named = {t for t, kinds in OF_TAG.items() if a.kind in kinds} | set(_ALSO.get(a.kind, ()))
    modules = {t.module for t in w.tags if t.target == a.target and (not boiler or t.name.partition(".")[2] in named)}
    return [(w.links[w.module_link[m]], "link_down", "") for m in sorted(modules)] + [
        (w.module_names[m], "module_silent", "") for m in sorted(modules)
    ]
