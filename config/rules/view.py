"""A plant as the rules look at it: who uses which channel for what.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from config.findings import Path
from config.kinds import BOILER_CONTACTS
from config.model import Channel, Module, Plant, Range

NAMED = ("link", "module", "boiler", "meter", "tank", "chemical", "analogue")
"""Tables whose elements share one list of names: alarms and tags are told apart by them."""


@dataclass(frozen=True, slots=True)
class Wired:
    """A channel with the module it is read from and the path it is written at."""

    channel: Channel
    module: Module
    path: Path


@dataclass(frozen=True, slots=True)
class Use:
    """One use of a channel: where it is named, for what, and the range laid over it."""

    path: Path
    ref: str
    what: Literal["contact", "analogue", "counter"]
    who: str  # the boiler, meter, tank, chemical or analogue it belongs to
    range: Range | None = None
    range_path: Path = ()
    kinds: tuple[str, ...] = ()  # kinds of quantity the range may have, () for any


@dataclass(frozen=True, slots=True)
class View:
    """`plant` may lack parts that are wrong in shape; `raw` is all that is written."""

    plant: Plant
    raw: Mapping[str, Any]
    wired: Mapping[str, Wired]
    uses: tuple[Use, ...]
    names: Mapping[str, tuple[str, ...]]  # of each table of NAMED, as written
    refs: frozenset[str]  # every channel written, usable or not
    unsure: frozenset[str] = frozenset()  # modules of which it is not known what channels they have

    def poll_of(self, ref: str | None) -> float | None:
        """Seconds between polls of a channel, None when it is not there."""
        w = self.wired.get(ref or "")
        return w.module.every if w else None


def view(plant: Plant, raw: Mapping[str, Any], unsure: frozenset[int] = frozenset()) -> View:
    """The view of a plant and the data it was read from, `unsure` by the numbers of modules in `raw`."""
    wired = {
        f"{m.name}.{c}": Wired(channel, m, ("module", i, "channels", c))
        for i, m in enumerate(plant.modules)
        for c, channel in m.channels.items()
    }
    names = {key: tuple(e["name"] for e in elements(raw, key) if isinstance(e.get("name"), str)) for key in NAMED}
    refs = frozenset(
        f"{m.get('name')}.{c}"
        for m in elements(raw, "module")
        if isinstance(m.get("channels"), dict)
        for c in m["channels"]
    )
    doubtful = frozenset(str(m.get("name")) for i, m in enumerate(elements(raw, "module")) if i in unsure)
    return View(plant, raw, wired, tuple(_uses(plant)), names, refs, doubtful)


def elements(raw: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    """The tables of a list of tables as written, {} for an element that is none, so that numbers stay right."""
    part = raw.get(key)
    return [e if isinstance(e, dict) else {} for e in part] if isinstance(part, list) else []


_LEVEL = ("ratio", "length", "pressure")


def _uses(plant: Plant) -> Iterator[Use]:
    for i, b in enumerate(plant.boilers):
        at: Path = ("boiler", i)
        if b.conductivity:
            here = (*at, "conductivity")
            yield _analogue(b.name, here, b.conductivity.channel, b.conductivity.range, ("conductivity",))
        if v := b.blowdown_valve:
            here = (*at, "blowdown_valve")
            for key in ("command", "open_switch", "shut_switch"):
                if ref := getattr(v, key):
                    yield Use((*here, key), ref, "contact", b.name)
            for key in ("position", "demand"):
                if s := getattr(v, key):
                    yield _analogue(b.name, (*here, key), s.channel, s.range, ("ratio",))
        for key in BOILER_CONTACTS:
            if k := getattr(b, key):
                yield Use((*at, key, "contact"), k.contact, "contact", b.name)
        for key, kinds in (
            ("water_level", _LEVEL),
            ("steam_pressure", ("pressure",)),
            ("probe_temperature", ("temperature",)),
        ):
            if s := getattr(b, key):
                yield _analogue(b.name, (*at, key), s.channel, s.range, kinds)
    for i, m in enumerate(plant.meters):
        yield Use(("meter", i, "channel"), m.channel, "counter", m.name)
    for i, t in enumerate(plant.tanks):
        if t.level:
            yield _analogue(t.name, ("tank", i, "level"), t.level.channel, t.level.range, (*_LEVEL, "volume"))
    for i, c in enumerate(plant.chemicals):
        yield Use(("chemical", i, "pump"), c.pump, "contact", c.name)
    for i, a in enumerate(plant.analogues):
        yield _analogue(a.name, ("analogue", i), a.channel, a.range, ())


def _analogue(who: str, path: Path, ref: str, r: Range, kinds: tuple[str, ...]) -> Use:
    return Use((*path, "channel"), ref, "analogue", who, r, (*path, "range"), kinds)
