"""The plant file made ready for the loop: which channel feeds which signal, and each boiler's rules.

Compiled once per plant version; frozen. Pure. May import: config, daemon.core.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from config.flush import flush_of
from config.kinds import BOILER_CONTACTS
from config.limits import Limits, conductivity_limits
from config.model import Boiler, Contact, Meter, Plant
from config.solids import Compensation, Solids, compensation_of, solids_of
from config.written import DAYS
from daemon.core.daytime import Daytime, daytime
from daemon.core.tags import RawTag, derived_tags, raw_tags
from daemon.measure import valve_habits
from daemon.measure.balance_rules import BalanceRules, balance_rules
from daemon.measure.bleed import BleedRule, bleed_rules
from daemon.measure.boiler_state import StateRule
from daemon.measure.current_loop import Line, line
from daemon.measure.cutoff import STOPS_MS, CutoffRule, Window
from daemon.measure.dosing_rules import Names
from daemon.measure.meter_spec import MeterSpec, meter_spec
from daemon.measure.rate import rate_rule
from daemon.measure.sampling import SampleRule
from daemon.measure.tank_volume import TankSpec, tank_spec
from daemon.measure.usual import WaterRule
from daemon.measure.watch import WatchRule, watch_rule

ANALOGUE, CONTACT, COUNTER = 0, 1, 2
POSITION_OPEN: Final = 5.0  # %: a modulating valve above it counts as open (common practice, no source)
POSITION_BAND: Final = 2.0  # %: and until it is so much below it again
PULSES_JOIN_MS: Final = 5 * 60_000  # pulses of a pulsed valve this near are one blow (common practice, no source)

Use = tuple[int, int, int, Line | None, int, MeterSpec | None]
"""One use of a channel: (channel index, kind, slot, line, debounce ms, meter)."""


@dataclass(frozen=True, slots=True)
class Role:
    """A contact in a role: the role is true when the contact in `slot` reads `when`; slot -1: not wired."""

    slot: int = -1
    when: int = 1


@dataclass(frozen=True, slots=True)
class BoilerWiring:
    """Where one boiler's signals are and the rules it is judged by. Slots are -1 where nothing is wired."""

    name: str
    probe: int
    probe_at: tuple[int, int]  # module and channel index of the probe
    probe_line: Line | None
    compensation: Compensation
    probe_temperature: int
    steam_pressure: int
    water_level: int
    position: int
    running: Role
    low_water: Role
    high_water: Role
    lockout: Role
    burner: Role
    fire: Role  # what shows that a test of the cut-off stops it: the burner, else the limit circuit
    cutoff: CutoffRule
    controller_alarm: Role
    cycles: Role  # true as a burner starts; where none is wired, as the limit circuit opens
    rest_ms: int  # so long after the valve shut its sample line has cooled; 0: that is not looked at
    hand: Role  # the wall controller is switched out of automatic
    command: Role
    open_switch: Role
    shut_switch: Role
    state_rule: StateRule
    sample_rule: SampleRule
    watch_rule: WatchRule
    neighbours: tuple[int, ...]  # boilers that share its probe
    same_line: tuple[int, ...]  # boilers whose blows pass the same line
    flow: Role  # proof of flow of a side-stream sample
    sample_hottest: float  # °C, of a cooled sample; infinite where no limit is given
    demand: int
    position_open: float  # %: above it a modulating valve counts as open
    limits: Limits
    set_point: float | None
    differential: float
    valve_travel_ms: int
    valve_longest_ms: int
    joins_ms: int
    poll_ms: int  # the slowest interval among the modules that see the valve and the probe
    duty: str
    interlock_means: str  # running, stopped, firing, or "" when not wired
    tag_conductivity: int
    tag_state: int
    tag_valve: int
    tag_solids: int
    solids_factor: float
    solids: Solids | None
    neutralised: bool  # readings stand for neutralised water
    corrected_here: bool  # a correction in the log is the normal way: the source is a raw transmitter


@dataclass(frozen=True, slots=True)
class MeterWiring:
    name: str
    slot: int
    module: int
    spec: MeterSpec
    tag_total: int
    tag_rate: int
    tag_mass: int  # -1 where what passes is no water
    tag_mass_rate: int
    tag_day: int
    tag_today: int


@dataclass(frozen=True, slots=True)
class TankWiring:
    name: str
    slot: int
    module: int
    spec: TankSpec
    tag: int


@dataclass(frozen=True, slots=True)
class Wiring:
    """The whole plant. `uses[m]` are the uses of module m's channels; `slots` counts the slots of each kind."""

    uses: tuple[tuple[Use, ...], ...]
    slots: tuple[int, int, int]
    tag_slots: tuple[tuple[int, int], ...]  # (kind, slot) of each raw tag, (-1, -1) for plain ones
    tags: tuple[RawTag, ...]
    boilers: tuple[BoilerWiring, ...]
    meters: tuple[MeterWiring, ...]
    links: tuple[str, ...]
    module_link: tuple[int, ...]
    module_names: tuple[str, ...]
    module_every_ms: tuple[int, ...]
    balance: BalanceRules
    daytime: Daytime
    zone: str
    bleeds: tuple[BleedRule, ...]
    tanks: tuple[TankWiring, ...]
    waters: tuple[WaterRule, ...]  # feedwaters whose conductivity is measured


def wire(plant: Plant) -> Wiring:
    """Compile a plant."""
    tags = raw_tags(plant)
    debounce = _debounces(plant)
    uses: list[list[Use]] = [[] for _ in plant.modules]
    count = [0, 0, 0]
    slot_of: dict[str, int] = {}
    tag_slots: list[tuple[int, int]] = []
    meters = {f"{m.name}.pulses": m for m in plant.meters}
    for tag in tags:
        module = plant.modules[tag.module]
        channel = tuple(module.channels.values())[tag.channel]
        if tag.kind == "raw":
            tag_slots.append((-1, -1))
            continue
        kind = {"analogue": ANALOGUE, "contact": CONTACT, "counter": COUNTER}[tag.kind]
        slot = count[kind]
        count[kind] += 1
        slot_of[tag.name] = slot
        tag_slots.append((kind, slot))
        uses[tag.module].append(
            (
                tag.channel,
                kind,
                slot,
                line(tag) if kind == ANALOGUE else None,
                debounce.get(tag.name, 0),
                meter_spec(meters[tag.name], module, channel, plant.plant.zone) if kind == COUNTER else None,
            )
        )
    names = tuple(m.name for m in plant.modules)
    links = tuple(x.name for x in plant.links)
    derived = {d.name: i for i, d in enumerate(derived_tags(plant))}
    by_name = {t.name: t for t in tags}
    every_ms = tuple(round(m.every * 1000) for m in plant.modules)
    return Wiring(
        uses=tuple(tuple(u) for u in uses),
        slots=(count[0], count[1], count[2]),
        tag_slots=tuple(tag_slots),
        tags=tags,
        boilers=tuple(_boiler(plant, b, slot_of, by_name, derived) for b in plant.boilers),
        meters=tuple(_meter(plant, m, by_name[f"{m.name}.pulses"], slot_of, derived) for m in plant.meters),
        links=links,
        module_link=tuple(links.index(m.link) for m in plant.modules),
        module_names=names,
        module_every_ms=every_ms,
        balance=balance_rules(
            plant,
            Names(
                slot=slot_of,
                tag=derived,
                boiler={b.name: i for i, b in enumerate(plant.boilers)},
                poll_ms={t.name: every_ms[t.module] for t in tags},
            ),
        ),
        daytime=daytime(plant),
        zone=plant.plant.zone,
        bleeds=bleed_rules(plant),
        tanks=tuple(
            TankWiring(t.name, slot_of[n], by_name[n].module, spec, derived[f"{t.name}.volume"])
            for t in plant.tanks
            if (n := f"{t.name}.level") in slot_of and (spec := tank_spec(t)) is not None
        ),
        waters=tuple(_water(plant, name, slot_of) for name in _feedwaters(plant)),
    )


def _feedwaters(plant: Plant) -> tuple[str, ...]:
    """Names of the analogues that a boiler names as its feedwater's conductivity, in the order of the boilers."""
    named = (b.feedwater_conductivity for b in plant.boilers)
    return tuple(dict.fromkeys(name for name in named if isinstance(name, str)))


def _water(plant: Plant, name: str, slot_of: dict[str, int]) -> WaterRule:
    fed = tuple(i for i, b in enumerate(plant.boilers) if b.feedwater_conductivity == name)
    return WaterRule(name, slot_of[name], fed)


def _cycles(burner: Role, running: Role, contact: str) -> Role:
    """What counts as a cycle: a burner's start, or a limit circuit's opening."""
    if burner.slot >= 0:
        return burner
    return Role(running.slot, 1 - running.when) if contact == "limit" else running


def _meter(plant: Plant, m: Meter, tag: RawTag, slot_of: dict[str, int], derived: dict[str, int]) -> MeterWiring:
    module = plant.modules[tag.module]
    channel = tuple(module.channels.values())[tag.channel]
    return MeterWiring(
        name=m.name,
        slot=slot_of[tag.name],
        module=tag.module,
        spec=meter_spec(m, module, channel, plant.plant.zone),
        tag_total=derived[f"{m.name}.total"],
        tag_rate=derived[f"{m.name}.rate"],
        tag_mass=derived.get(f"{m.name}.mass", -1),
        tag_mass_rate=derived.get(f"{m.name}.mass_rate", -1),
        tag_day=derived[f"{m.name}.day"],
        tag_today=derived[f"{m.name}.today"],
    )


def _cutoff(plant: Plant, b: Boiler, by_name: dict[str, RawTag]) -> CutoffRule:
    """How the low-water cut-off of a boiler is watched."""
    seen = [by_name[n].module for n in (f"{b.name}.{k}" for k in ("low_water", "burner", "interlock")) if n in by_name]
    polls = {round(plant.modules[m].every * 1000) for m in seen}
    slowest = max(polls, default=0)

    def minute(text: str) -> int:
        return int(text[:2]) * 60 + int(text[3:])

    windows = []
    for test in b.cutoff_test:
        begin, end = test.window.split("..")
        days = tuple(DAYS.index(day) for day in test.days)
        windows.append(Window(minute(begin), minute(end), round(test.longest * 1000), days))
    return CutoffRule(
        windows=tuple(windows),
        zone=daytime(plant).zone,
        burner=b.burner is not None or (b.interlock is not None and b.interlock.closed_means == "firing"),
        stops_ms=max(STOPS_MS, 2 * slowest if len(polls) > 1 else 0),
        slack_ms=slowest,
        told=bool(windows or b.cutoff_test_every),
        every_ms=round((b.cutoff_test_every or 0.0) * 1000),
    )


def _debounces(plant: Plant) -> dict[str, int]:
    found: dict[str, int] = {}
    for b in plant.boilers:
        for role in BOILER_CONTACTS:
            c: Contact | None = getattr(b, role)
            if c is not None:
                found[f"{b.name}.{role}"] = round(c.debounce * 1000)
    return found


def _boiler(
    plant: Plant, b: Boiler, slot_of: dict[str, int], by_name: dict[str, RawTag], derived: dict[str, int]
) -> BoilerWiring:
    def slot(key: str) -> int:
        return slot_of.get(f"{b.name}.{key}", -1)

    def role(key: str, true_words: tuple[str, ...]) -> Role:
        c: Contact | None = getattr(b, key)
        return Role() if c is None else Role(slot(key), 1 if c.closed_means in true_words else 0)

    def switch(key: str) -> Role:
        return Role(slot(key), 1)

    cond, valve, smp, solids = b.conductivity, b.blowdown_valve, b.sample, solids_of(b)
    probe = by_name.get(f"{b.name}.probe")
    seen_by = ("probe", "valve_command", "valve_open_switch", "valve_shut_switch", "valve_position", "valve_demand")
    used = [by_name[n].module for n in (f"{b.name}.{key}" for key in seen_by) if n in by_name]
    travel_ms = round(valve.travel * 1000) if valve else 0
    running = role("interlock", ("running", "firing"))
    contact = "" if running.slot < 0 else "limit"
    if b.interlock and b.interlock.closed_means == "firing":
        contact = "burner"
    elif running.slot < 0 and b.burner:
        contact, running = "burner", role("burner", ("firing",))
    valve_known = valve is not None and any(
        x is not None for x in (valve.command, valve.open_switch, valve.shut_switch, valve.position, valve.demand)
    )
    joins_ms = round(valve.joins_within * 1000) if valve else 0
    if valve and valve.kind == "pulsed" and "joins_within" not in valve.model_fields_set:
        joins_ms = PULSES_JOIN_MS
    sharing = tuple(
        i
        for i, o in enumerate(plant.boilers)
        if o is not b and cond and o.conductivity and o.conductivity.channel == cond.channel
    )
    rule = SampleRule(
        arrangement=smp.arrangement if smp else "none",
        flush_ms=round(flush_of(b).seconds * 1000) if smp else 0,
        settle_ms=round(smp.settle * 1000) if smp else 0,
        travel_ms=travel_ms,
        every_ms=round(smp.every * 1000) if smp and smp.every else None,
        held=cond is not None and cond.signal != "live",  # not said: taken as held until it is learned
        valve_known=valve_known,
        said=cond is None or cond.signal is not None,
        span=abs(cond.range.high - cond.range.low) if cond else 0.0,
        joins_ms=joins_ms if valve and valve.kind == "pulsed" else 0,
        shared=bool(sharing),
    )
    heats = b.probe_temperature is not None and smp is not None and smp.arrangement != "side-stream"
    same_line = tuple(
        i
        for i, o in enumerate(plant.boilers)
        if o is not b and valve and valve.line and o.blowdown_valve and o.blowdown_valve.line == valve.line
    )
    cools = heats and probe is not None and not same_line and valve is not None and valve.command is not None
    return BoilerWiring(
        name=b.name,
        probe=slot("probe"),
        probe_at=(probe.module, probe.channel) if probe else (-1, -1),
        probe_line=line(probe) if probe else None,
        compensation=compensation_of(b),
        probe_temperature=slot("probe_temperature"),
        steam_pressure=slot("steam_pressure"),
        water_level=slot("water_level"),
        position=slot("valve_position"),
        running=running,
        low_water=role("low_water", ("low",)),
        high_water=role("high_water", ("high",)),
        lockout=role("lockout", ("lockout",)),
        burner=role("burner", ("firing",)),
        fire=role("burner", ("firing",)) if b.burner else running,
        cutoff=_cutoff(plant, b, by_name),
        controller_alarm=role("controller_alarm", ("alarm",)),
        cycles=_cycles(role("burner", ("firing",)), running, contact),
        hand=role("controller_hand", ("hand",)),
        command=switch("valve_command"),
        open_switch=switch("valve_open_switch"),
        shut_switch=switch("valve_shut_switch"),
        state_rule=StateRule(contact, b.pressure, b.steam_pressure is not None, b.duty in ("lag", "standby")),
        sample_rule=rule,
        watch_rule=watch_rule(
            line(probe) if probe else None,
            cond.range.high - cond.range.low if cond else 0.0,
            round(plant.modules[probe.module].every * 1000) if probe else 10_000,
            rate_rule(b.water, b.steam_max, valve.opening_flow if valve else None),
            b.pressure,
            heats,
        ),
        neighbours=sharing,
        same_line=same_line,
        rest_ms=valve_habits.rest_after(rule) if cools else 0,
        flow=role("sample_flow", ("flow",)),
        sample_hottest=smp.hottest if smp and smp.hottest is not None else math.inf,
        demand=slot("valve_demand"),
        position_open=valve.open_above if valve else POSITION_OPEN,
        limits=conductivity_limits(b),
        set_point=cond.set_point if cond else None,
        differential=(cond.differential or 0.0) if cond else 0.0,
        valve_travel_ms=travel_ms,
        valve_longest_ms=round(valve.longest * 1000) if valve else 0,
        joins_ms=joins_ms,
        poll_ms=max((round(plant.modules[m].every * 1000) for m in used), default=0),
        duty=b.duty,
        interlock_means=b.interlock.closed_means if b.interlock else "",
        tag_conductivity=derived.get(f"{b.name}.conductivity", -1),
        tag_state=derived[f"{b.name}.state"],
        tag_valve=derived.get(f"{b.name}.valve", -1),
        tag_solids=derived.get(f"{b.name}.dissolved_solids", -1),
        solids_factor=solids.factor if solids else 0.0,
        solids=solids,
        neutralised=cond is not None and cond.neutralised,
        corrected_here=cond is not None and cond.calibrated_at == "log",
    )
