"""What enters the engine: scans of modules, joined in groups, and acts of people.

Times are whole milliseconds. `at_ms` is plant time as UTC since 1970 under the clock segment in force, for records
and calendars. `elapsed_ms` never goes back, across restarts and clock steps too: every interval, delay and rate is a
difference of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

Count = int | float


@dataclass(frozen=True, slots=True)
class Scan:
    """One poll of one module: for each channel (plant-file order) a count, or None and the reason's number."""

    module: int  # index in Plant.modules
    counts: tuple[Count | None, ...]
    faults: tuple[int, ...]  # Reason numbers, 0 where there is a count
    delay_ms: int = 0  # from the due instant to the answer


@dataclass(frozen=True, slots=True)
class Act:
    """Something a person did, numbered by the store; applied by the engine in the group that carries it."""

    number: int
    kind: str  # ack, shelve, note, ...
    by: str
    received_ms: int
    body: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True)
class Group:
    """All modules due at one instant. `scans` in plant-file order; may be empty, so that time never stops.

    `gap_ms`: how long nothing was watched before this group (a restart or a dropped span), 0 in a run.
    """

    number: int
    at_ms: int
    elapsed_ms: int
    segment: int
    plant: int  # plant version the scans were planned by
    scans: tuple[Scan, ...]
    acts: tuple[Act, ...] = ()
    gap_ms: int = 0
