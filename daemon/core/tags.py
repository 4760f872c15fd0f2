"""Names of the signals of a plant: what each channel is called, and what is derived from them.

Pure. May import: config. The order of both lists is part of what is stored: it follows the plant file alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from config.kinds import BOILER_CONTACTS
from config.model import Plant, Range, Span
from config.solids import solids_of
from daemon.core.derived_tag import DerivedTag as DerivedTag
from daemon.core.figure_tags import PACING as PACING
from daemon.core.figure_tags import figure_tags

RawKind = Literal["analogue", "contact", "counter", "raw"]

STATES: tuple[str, ...] = ("unknown", "off", "warming", "steaming", "hot standby", "laid up", "drained")
"""Boiler states, stored by index."""


@dataclass(frozen=True, slots=True)
class RawTag:
    """A channel under its plant name: "B1.probe" is ai.b1_cond."""

    name: str
    target: str  # boiler, meter, tank, chemical or analogue it belongs to, "" when none
    module: int
    channel: int
    ref: str  # "ai.b1_cond"
    kind: RawKind
    unit: str  # base unit of the value ("uS/cm"), "" for contacts and plain counts
    span: Span | None = None
    range: Range | None = None
    closed_means: str = ""
    whole: bool = True  # counts are whole numbers; False for f32 and f64


_BASE_UNIT = {
    "conductivity": "uS/cm",
    "pressure": "kPa",
    "temperature": "°C",
    "ratio": "%",
    "volume": "m3",
    "volume flow": "m3/h",
    "mass": "kg",
    "mass flow": "kg/h",
    "length": "m",
    "hardness": "ppm as CaCO3",
    "energy": "kWh",
    "current": "mA",
    "time": "s",
}


_FLOATS = ("f32", "f64")


def base_unit(r: Range) -> str:
    """The unit values of a range are reckoned in: the base unit of its kind, else the unit as written."""
    return _BASE_UNIT.get(r.kind, r.unit)


def raw_tags(plant: Plant) -> tuple[RawTag, ...]:
    """Every use of a channel, and every channel nothing uses under its own name, in plant-file order."""
    where = {
        f"{m.name}.{c}": (i, k, ch) for i, m in enumerate(plant.modules) for k, (c, ch) in enumerate(m.channels.items())
    }
    out: list[RawTag] = []

    def add(name: str, target: str, ref: str, kind: RawKind, r: Range | None = None, closed: str = "") -> None:
        m, c, ch = where[ref]
        whole = ch.type not in _FLOATS
        out.append(RawTag(name, target, m, c, ref, kind, base_unit(r) if r else "", ch.span, r, closed, whole))

    for b in plant.boilers:
        n = b.name
        if b.conductivity:
            add(f"{n}.probe", n, b.conductivity.channel, "analogue", b.conductivity.range)
        if v := b.blowdown_valve:
            for key, ref in (
                ("valve_command", v.command),
                ("valve_open_switch", v.open_switch),
                ("valve_shut_switch", v.shut_switch),
            ):
                if ref:
                    add(f"{n}.{key}", n, ref, "contact", closed="on")
            for key, s in (("valve_position", v.position), ("valve_demand", v.demand)):
                if s:
                    add(f"{n}.{key}", n, s.channel, "analogue", s.range)
        for key in BOILER_CONTACTS:
            if k := getattr(b, key):
                add(f"{n}.{key}", n, k.contact, "contact", closed=k.closed_means)
        for key in ("water_level", "steam_pressure", "probe_temperature"):
            if s := getattr(b, key):
                add(f"{n}.{key}", n, s.channel, "analogue", s.range)
    for mt in plant.meters:
        add(f"{mt.name}.pulses", mt.name, mt.channel, "counter")
    for t in plant.tanks:
        if t.level:
            add(f"{t.name}.level", t.name, t.level.channel, "analogue", t.level.range)
    for ch in plant.chemicals:
        add(f"{ch.name}.pump", ch.name, ch.pump, "contact", closed=ch.closed_means)
    for a in plant.analogues:
        add(a.name, a.name, a.channel, "analogue", a.range)
    used = {t.ref for t in out}
    for ref, (m, c, chan) in where.items():
        if ref not in used:
            kind: RawKind = "contact" if chan.type == "bit" else "raw"
            out.append(RawTag(ref, "", m, c, ref, kind, "", chan.span, whole=chan.type not in _FLOATS))
    return tuple(out)


def derived_tags(plant: Plant) -> tuple[DerivedTag, ...]:
    """What the engine works out, in plant-file order: `Derived.tag` is an index here."""
    out: list[DerivedTag] = []
    for b in plant.boilers:
        n = b.name
        if b.conductivity:
            label = " (neutralised)" if b.conductivity.neutralised else ""
            out.append(DerivedTag(f"{n}.conductivity", n, "conductivity", f"uS/cm{label}"))
            if solids := solids_of(b):
                out.append(DerivedTag(f"{n}.dissolved_solids", n, "dissolved_solids", solids.unit))
        out.append(DerivedTag(f"{n}.state", n, "state", ""))
        if b.blowdown_valve:
            out.append(DerivedTag(f"{n}.valve", n, "valve", ""))
    for m in plant.meters:
        gas = " gas" if m.measures == "fuel" else ""
        out.append(DerivedTag(f"{m.name}.total", m.name, "total", f"m3{gas}"))
        out.append(DerivedTag(f"{m.name}.rate", m.name, "rate", f"m3/h{gas}"))
    for m in plant.meters:  # newer tags stand behind all older ones: what is stored names them by their place
        if m.of_water:
            out.append(DerivedTag(f"{m.name}.mass", m.name, "mass", "kg"))
            out.append(DerivedTag(f"{m.name}.mass_rate", m.name, "mass_rate", "kg/h"))
    out += figure_tags(plant)
    for m in plant.meters:
        gas = " gas" if m.measures == "fuel" else ""
        out.append(DerivedTag(f"{m.name}.day", m.name, "day", f"m3{gas}"))  # of the day that ended last
        out.append(DerivedTag(f"{m.name}.today", m.name, "today", f"m3{gas}"))
    for t in plant.tanks:
        if t.tells_volume:
            out.append(DerivedTag(f"{t.name}.volume", t.name, "volume", "m3"))
    return tuple(out)
