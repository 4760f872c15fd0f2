"""Which alarms are out of service, and which are told only when they outlast work by hand.

Low water goes out of service only for a boiler that is out of service and declared drained, both by name and until a
time; high water for one that is declared drained or laid up, or by its own tag. Work by hand never keeps either back.
Pure. May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from daemon.alarms.condition import Alarm
from daemon.measure.aside import BLOW_BY_HAND, DRAINED, LAID_UP, ON_SITE, SPOKEN, Said

_CONDUCTIVITY: Final = frozenset(
    {
        "conductivity_very_high",
        "conductivity_high",
        "conductivity_low",
        "no_representative_sample",
        "probe_loop_fault",
        "probe_open",
        "probe_value_stuck",
        "steam_at_probe",
        "probe_fouling",
        "calibration_due",
        "calibration_step",
    }
)
_VALVE: Final = frozenset(
    {
        "blowdown_over_time",
        "valve_stuck_shut",
        "valve_stuck_open",
        "valve_leaking",
        "valve_slow",
        "valve_switch_disagrees",
        "controller_idle",
        "blowdown_while_off",
    }
)
OF_TAG: Final[Mapping[str, frozenset[str]]] = {
    "probe": _CONDUCTIVITY,
    "conductivity": _CONDUCTIVITY,
    "probe_temperature": frozenset({"valve_leaking"}),
    "valve_command": _VALVE,
    "valve_position": frozenset({"valve_slow"}),
    "valve_demand": frozenset(),
    "valve_open_switch": frozenset({"valve_switch_disagrees", "valve_slow"}),
    "valve_shut_switch": frozenset({"valve_switch_disagrees", "valve_slow"}),
    "interlock": frozenset({"interlock_open"}),
    "burner": frozenset({"short_cycling"}),
    "lockout": frozenset({"lockout"}),
    "controller_alarm": frozenset({"controller_alarm"}),
    "controller_hand": frozenset({"controller_idle"}),
    "high_water": frozenset({"high_water"}),
    "water_level": frozenset(),
    "steam_pressure": frozenset(),
    "level": frozenset({"tank_low", "tank_empty"}),
    "pump": frozenset({"chemical_feed_while_off", "pump_not_as_paced", "pump_overrun"}),
    "pulses": frozenset({"meter_running_while_off"}),
}
"""The kinds that rest on one tag of a boiler, tank, pump or meter alone.

low_water is not among the tags and never will be.
"""

HAND_WORK: Final[Mapping[str, frozenset[str]]] = {
    ON_SITE: frozenset(
        {
            "conductivity_low",
            "no_representative_sample",
            "probe_loop_fault",
            "probe_open",
            "probe_value_stuck",
            "steam_at_probe",
            "calibration_step",
            "blowdown_over_time",
            "blowdown_while_off",
            "chemical_feed_while_off",
            "short_cycling",
            "valve_slow",
            "valve_stuck_shut",
            "valve_stuck_open",
            "valve_switch_disagrees",
            "controller_alarm",
            "controller_idle",
            "interlock_open",
        }
    ),
    BLOW_BY_HAND: frozenset({"conductivity_low", "valve_stuck_open", "valve_leaking", "blowdown_while_off"}),
}
"""What hands at the boiler cause: told at once in the journal, by mail only when it outlasts the work."""


HAND_BLOW: Final = frozenset({"conductivity_low", "valve_stuck_open"})
"""Kinds by which a blow by hand shows that nobody has told of: mailed when they outlast the boiler's `hand_blow`."""


def out_of_service(alarm: Alarm, outs: tuple[Said, ...], words: tuple[Said, ...]) -> Said | None:
    """What was said that takes an alarm out of service, None while it is in service."""
    whole = next((o for o in outs if o.target == alarm.target), None)
    if alarm.never_hidden:
        state = next((SPOKEN[w.what] for w in words if w.target == alarm.target), -1)
        if whole is not None and (state == DRAINED or (state == LAID_UP and alarm.kind == "high_water")):
            return whole
        if alarm.kind != "high_water":
            return None
    elif whole is not None:
        return whole
    for o in outs:
        part, _, tag = o.target.partition(".")
        if part == alarm.target and alarm.kind in OF_TAG.get(tag, ()):
            return o
    return None


def hand_work(alarm: Alarm, hands: tuple[Said, ...]) -> Said | None:
    """The work by hand that may be what raised an alarm, None for none."""
    if alarm.never_hidden:
        return None
    for h in hands:
        if h.target in ("", alarm.target) and alarm.kind in HAND_WORK[h.what]:
            return h
    return None
