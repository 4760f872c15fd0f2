"""What the plant agreed on about one kind of alarm, and the cautions that several kinds share.

Pure data; imports nothing of ours. The tables are in the `kinds_*` files, joined by `kinds`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Priority = Literal["highest", "high", "medium", "low"]

MINUTE: Final = 60.0
HOUR: Final = 3600.0
DAY: Final = 86400.0


@dataclass(frozen=True, slots=True)
class Kind:
    """One row of the rationalisation table (the term of ISA-18.2 and IEC 62682).

    Texts are for someone woken at three in the morning: whole words, things to look at, nothing to operate.
    Times are plant seconds. Delays and response times are starting values, common practice without a source;
    `[alarms.KIND]` of the plant file overrides delays, priority and response time.
    """

    kind: str
    title: str  # plain words, starts a sentence
    means: str
    consequence: str  # what gets worse while nobody acts
    causes: tuple[str, ...]  # likeliest first
    first_checks: tuple[str, ...]  # things to look at
    caution: str
    respond_s: float  # how long the plant gives itself to respond
    priority: Priority
    unit: str  # base unit of value and limit, "" when there is no figure
    on_delay_s: float
    off_delay_s: float
    suppressed_when_off: bool  # held back by design while the boiler is off
    never_hidden: bool = False  # never suppressed, folded or shelved
    mails: bool = True
    latches: bool = False  # held after it has cleared until a person lets go of its record, unless the plant says no


DECIDE: Final = "Local codes and licensed operators decide."
LOW_WATER: Final = (  # SF-018
    "No water in the glass: fuel off by site procedure. Never add water to a hot boiler; let it cool and have it "
    f"examined before it is fired again. Never isolate a low-water cut-off to quiet an alarm. {DECIDE}"
)
SCALD: Final = (  # SF-011, SF-014
    "Boiler water leaves the tap far above boiling and part of it flashes to steam: sample cooler with its cooling "
    f"water running first, face shield and gloves. It is caustic too. {DECIDE}"
)
LINE: Final = (  # SF-011, SF-015
    "The sample and blowdown line is at boiler pressure and far above boiling: face shield and gloves near it, "
    "lock out and tag out before any work on it. This message is advice; site procedure says who does what. "
    f"{DECIDE}"
)
LIMITS: Final = (  # SF-017, SF-011
    "Limits are the boiler maker's, the insurer's and the water specialist's to give. A hand sample scalds and "
    f"flashes to steam: sample cooler with its cooling water running first, face shield and gloves. {DECIDE}"
)
FIRING: Final = (
    "Flame and limit controls are the work of licensed people under site procedure; a tripped limit tripped for a "
    f"reason that has to be found first. {DECIDE}"
)
CHEMICAL: Final = (  # SF-014
    "Treatment chemicals burn skin and eyes: goggles, gloves and apron, and the safety data sheet at hand. Boiler "
    f"water is caustic. {DECIDE}"
)
HOT: Final = (
    "Steam, feedwater and condensate lines scald and are under pressure: keep clear of leaks and vents, face shield "
    f"and gloves, lock out before any work. {DECIDE}"
)
ELECTRIC: Final = (
    "Panel terminals carry mains voltage and the wires of the limit circuit: work in the panel is for qualified "
    f"people, locked out. {DECIDE}"
)
BLIND: Final = (  # SF-001
    "While this lasts the service sees less or tells less than usual, and the rounds on foot matter more. It is no "
    f"safety device: cut-offs, limits and safety valves work without it. {DECIDE}"
)
