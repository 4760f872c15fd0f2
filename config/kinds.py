"""Closed lists of names that a plant file may use and that other rooms give their meaning.

Imports nothing of ours.
"""

from __future__ import annotations

from typing import Final

KIND_NAMES: Final[tuple[str, ...]] = (
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
    "blowdown_over_time",
    "valve_stuck_shut",
    "valve_stuck_open",
    "valve_leaking",
    "valve_slow",
    "valve_switch_disagrees",
    "controller_idle",
    "controller_alarm",
    "interlock_open",
    "lockout",
    "short_cycling",
    "low_water",
    "high_water",
    "cutoff_test_failed",
    "cutoff_test_not_seen",
    "chemical_feed_while_off",
    "blowdown_while_off",
    "meter_stopped",
    "meter_running_while_off",
    "makeup_above_usual",
    "feedwater_quality_changed",
    "pump_not_as_paced",
    "pump_overrun",
    "pump_without_effect",
    "dose_out_of_band",
    "tank_low",
    "tank_empty",
    "analogue_high",
    "analogue_low",
    "analogue_rate",
    "test_out_of_range",
    "test_overdue",
    "safety_test_failed",
    "module_silent",
    "link_down",
    "logger_disk",
    "logger_clock",
    "logger_mail",
    "logger_copy",
    "logger_store",
    "logger_gap",
)
"""Kinds of alarm. The list grows and never renames; `daemon.alarms.kinds` says which are judged today."""

BOILER_CONTACTS: Final[tuple[str, ...]] = (
    "interlock",
    "low_water",
    "high_water",
    "burner",
    "lockout",
    "controller_alarm",
    "controller_hand",
    "sample_flow",
)
"""Keys of a boiler that are a contact and what it says when closed. The order is part of what is stored."""
COUNTED: Final[tuple[str, ...]] = ("short_cycling",)
"""Kinds that count within a window: `count` and `within` belong to them."""
NEVER_SHELVED: Final[frozenset[str]] = frozenset(
    {"low_water", "high_water", "cutoff_test_failed", "safety_test_failed", "logger_store"}
)
"""What nobody puts aside: it stands until its condition is gone."""

WATCHED: Final[tuple[str, ...]] = ("water_level", "steam_pressure", "probe_temperature")
"""Analogue signals of a boiler that may have limits of their own."""

NEVER_OFF: Final[frozenset[str]] = frozenset({"low_water", "high_water", "cutoff_test_failed"})
"""Kinds that no setting can switch off."""

SERVED_LINKS: Final[tuple[str, ...]] = ("modbus-tcp", "modbus-rtu", "modbus-rtu-over-tcp", "modbus-ascii", "text")
"""Kinds of link that have a driver (`drivers.registry.KINDS`)."""

HOUSE_NAMES: Final[frozenset[str]] = frozenset({"logger"})
"""Targets that are not the plant's: no part of it may be called so."""
