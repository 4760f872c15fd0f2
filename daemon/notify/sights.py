"""Which signals a picture shows for which alarm. Pure. May import: config, daemon.core."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from config.model import Boiler, Plant
from daemon.core.outcome import Notice

HOURS: Final = 8.0
DAYS_HOURS: Final = 72.0
"""For what moves over days: a tank, a coating, a leak."""

_SLOW: Final = frozenset(
    {"tank_low", "probe_fouling", "valve_leaking", "makeup_above_usual", "dose_out_of_band", "pump_without_effect"}
)
_PROBE: Final = frozenset({"probe_loop_fault", "probe_open", "probe_value_stuck", "steam_at_probe", "calibration_step"})
_WATER: Final = frozenset(
    {
        "low_water",
        "high_water",
        "interlock_open",
        "lockout",
        "short_cycling",
        "cutoff_test_failed",
        "safety_test_failed",
    }
)
_NONE: Final = frozenset({"test_out_of_range", "test_overdue"})

_CLOSED_IS_OFF: Final = frozenset({"normal", "stopped", "off", "auto", "no flow"})
"""What a contact may mean when closed that is the quiet side of it."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A strip: a signal of the plant that is on or off. `inverted`: the strip shows when it is off."""

    name: str
    tag: str
    how: Literal["contact", "valve", "silent"]
    closed_is_on: bool = True
    inverted: bool = False
    alarm: bool = False


@dataclass(frozen=True, slots=True)
class Sight:
    """What to show. `line`: a tag's name, "" for none; `boiler`: whose blows are counted."""

    line: str
    title: str
    strips: tuple[Shown, ...]
    boiler: str = ""
    held: bool = False
    hours: float = HOURS


def sight(notice: Notice, plant: Plant) -> Sight | None:
    """What to show for a notice, None where no signal says anything about it."""
    kind, target = notice.kind, notice.target
    if kind.startswith("logger_") or kind in _NONE:
        return None
    hours = DAYS_HOURS if kind in _SLOW else HOURS
    if kind in ("module_silent", "link_down"):
        names = [m.name for m in plant.modules if target in (m.name, m.link)]
        strips = tuple(Shown(n, n, "silent", alarm=True) for n in names[:6])
        return Sight("", "modules without an answer", strips) if strips else None
    boiler = next((b for b in plant.boilers if b.name == target), None)
    if boiler is not None:
        return _of_boiler(kind, boiler, hours)
    if kind.startswith(("tank_",)):
        return _of_tank(target, plant, hours)
    chemical = next((c for c in plant.chemicals if c.name == target), None)
    if chemical is not None:
        pump = Shown("pump", f"{target}.pump", "contact", chemical.closed_means == "running")
        tank = next((t for t in plant.tanks if t.name == chemical.tank and t.level), None)
        blows = _blows(plant, chemical.serves) if chemical.pacing in ("with blow", "after blow") else ()
        line = f"{tank.name}.level" if tank else ""
        return Sight(line, f"{tank.name} level" if tank else "", (pump, *blows), hours=hours)
    if any(m.name == target for m in plant.meters):
        return Sight(f"{target}.rate", f"{target} flow", (), hours=hours, held=True)
    if any(a.name == target for a in plant.analogues):
        return Sight(target, target, (), hours=hours)
    return _of_tank(target, plant, hours)


def _of_tank(target: str, plant: Plant, hours: float) -> Sight | None:
    if not any(t.name == target and t.level for t in plant.tanks):
        return None
    pumps = tuple(
        Shown("pump", f"{c.name}.pump", "contact", c.closed_means == "running")
        for c in plant.chemicals
        if c.tank == target
    )
    return Sight(f"{target}.level", f"{target} level", pumps[:2], hours=hours)


def _blows(plant: Plant, boilers: tuple[str, ...]) -> Iterator[Shown]:
    for b in plant.boilers:
        if b.name in boilers and b.blowdown_valve:
            yield Shown(f"{b.name} blow", f"{b.name}.valve", "valve")


def _of_boiler(kind: str, b: Boiler, hours: float) -> Sight:
    strips = tuple(_contacts(kind, b))
    blow = (Shown("blow", f"{b.name}.valve", "valve"),) if b.blowdown_valve else ()
    if kind in _WATER:
        if b.water_level:
            return Sight(f"{b.name}.water_level", f"{b.name} water level", strips, hours=hours)
        if b.steam_pressure:
            return Sight(f"{b.name}.steam_pressure", f"{b.name} pressure", strips, hours=hours)
        return Sight("", f"{b.name} contacts", strips, hours=hours)
    if not b.conductivity:
        return Sight("", f"{b.name} contacts", (*blow, *strips), b.name, hours=hours)
    if kind in _PROBE:
        return Sight(f"{b.name}.probe", f"{b.name} at the probe", (*blow, *strips), b.name, hours=hours)
    name = f"{b.name} conductivity"
    return Sight(f"{b.name}.conductivity", name, (*blow, *strips), b.name, held=True, hours=hours)


def _contacts(kind: str, b: Boiler) -> Iterator[Shown]:
    """Contacts that say something about the alarm; the strip is on where it speaks of trouble, or of firing."""
    wanted = [("low_water", "low", True), ("interlock", "interlock", True)]
    if kind in _WATER:
        wanted += [("high_water", "high", True), ("lockout", "lockout", True), ("burner", "fires", False)]
    if kind.startswith("controller"):
        wanted += [("controller_alarm", "alarm", True), ("controller_hand", "hand", True)]
    if kind in ("low_water", "high_water"):
        wanted = [w for w in wanted if w[0] != "lockout"]
    for key, name, alarm in wanted:
        c = getattr(b, key)
        if c is None:
            continue
        if key == "low_water" and kind not in _WATER:
            continue
        short = "no fire" if key == "interlock" and c.closed_means == "firing" else name
        on = c.closed_means not in _CLOSED_IS_OFF
        yield Shown(short, f"{b.name}.{key}", "contact", on, inverted=key == "interlock", alarm=alarm)
