"""Every kind of alarm there is: the rationalisation table (ISA-18.2, IEC 62682) of the program.

Pure. May import: `daemon.alarms.kind*`. The list is closed: it grows, a name never changes. A row here raises nothing
by itself; a kind whose condition is not built yet simply never stands.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from daemon.alarms.kind import Kind, Priority
from daemon.alarms.kinds_boiler import BLOWDOWN, BOILER
from daemon.alarms.kinds_by_hand import BY_HAND
from daemon.alarms.kinds_house import CHEMICALS, METERS, SIGNALS
from daemon.alarms.kinds_service import BUS, LOGGER
from daemon.alarms.kinds_water import WATER

__all__ = ["KINDS", "PRIORITIES", "Kind", "Priority"]

KINDS: Final[Mapping[str, Kind]] = MappingProxyType(
    {k.kind: k for k in (*WATER, *BLOWDOWN, *BOILER, *METERS, *CHEMICALS, *SIGNALS, *BY_HAND, *BUS, *LOGGER)}
)

PRIORITIES: Final[tuple[Priority, ...]] = ("highest", "high", "medium", "low")
"""Gravest first."""
