"""The balances of a plant made ready for the loop: which slot feeds which sum, and what is reckoned from the sums.

Compiled once per plant version from `daemon.core.balances.plans`; frozen. Pure. May import: config, daemon.core,
daemon.water, this room's rules.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from config.model import Boiler, Plant
from config.units import atmosphere
from daemon.core.balances import BoilerPlan, MeterPlan, MixPlan, plans
from daemon.measure.dosing_rules import PUMP_SUMS, TANK_SUMS, DosingRules, Names, dosing_rules
from daemon.water.flow import nozzle_kg_h

BOTH, COND, FEED, SHAKY, ALONE, ALONE_COND, ALONE_SHAKY, STEAMING, OPEN, BLIND = range(10)
"""What is summed of a boiler, ms or value times ms: time with both conductivities and their sums, how much of it was
uncertain; the same of the boiler's alone; time steaming, open (by share of opening), and with the valve not seen."""
BOILER_SUMS: Final = 10
WATCHED, REAL = 0, 1
"""ms watched, and ms that went by."""
METER_SUMS: Final = 3  # m3 and kg passed, doubtful steps
WATER_SUMS: Final = 2  # ms known, value times ms

Source = tuple[int, float]
"""A water's conductivity: (place of its sums, 0.0), or (-1, uS/cm as written); (-2, 0.0) for none."""
NO_SOURCE: Final[Source] = (-2, 0.0)


@dataclass(frozen=True, slots=True)
class MeterSum:
    """A meter as masses need it. `base`: place of its sums."""

    name: str
    index: int  # in Wiring.meters
    base: int


@dataclass(frozen=True, slots=True)
class WaterSum:
    name: str
    slot: int  # of its analogue
    base: int


@dataclass(frozen=True, slots=True)
class BoilerRule:
    """One boiler. Tags are -1 where there is none."""

    plan: BoilerPlan
    base: int
    feed_slot: int  # of the feedwater's analogue, -1 when none
    feedwater: Source
    makeup: Source
    condensate: Source
    makeup_share: tuple[tuple[MeterSum, ...], tuple[MeterSum, ...]] | None
    feed: tuple[MeterSum, ...]
    blown: tuple[MeterSum, ...]
    opening_kg_h: float
    bleed_kg_h: float
    modulating: bool
    water_kg: float
    tag_cycles: int
    tag_best: int  # of the cycles that count
    by_test: tuple[tuple[str, int], ...]  # tests that tell cycles, best first, with their tags
    tag_of_feedwater: int
    tag_of_steam: int
    tag_blow: int


@dataclass(frozen=True, slots=True)
class MeterRule:
    plan: MeterPlan
    meter: MeterSum
    feed: tuple[MeterSum, ...]
    tags: tuple[int, int]  # share and condensate return; of feedwater and of steam; (share, -1)


@dataclass(frozen=True, slots=True)
class MixRule:
    plan: MixPlan
    feedwater: Source
    makeup: Source
    condensate: Source
    tag: int


@dataclass(frozen=True, slots=True)
class BalanceRules:
    keys: tuple[str, ...]  # the quantities summed, by name
    boilers: tuple[BoilerRule, ...]
    meters: tuple[MeterSum, ...]
    waters: tuple[WaterSum, ...]
    meter_rules: tuple[MeterRule, ...]
    mixes: tuple[MixRule, ...]
    dosing: DosingRules
    tags: int  # derived tags of the plant


def balance_rules(plant: Plant, names: Names) -> BalanceRules:
    """Compile a plant's balances."""
    p = plans(plant)
    place = 2
    meters: dict[str, MeterSum] = {}
    for i, m in enumerate(plant.meters):
        meters[m.name] = MeterSum(m.name, i, place)
        place += METER_SUMS
    waters: dict[str, WaterSum] = {}
    for b in plant.boilers:
        for value in (b.feedwater_conductivity, b.makeup_conductivity, b.condensate_conductivity):
            if isinstance(value, str) and value not in waters:
                waters[value] = WaterSum(value, names.slot[value], place)
                place += WATER_SUMS

    def source(value: float | str | None) -> Source:
        if value is None:
            return NO_SOURCE
        return (waters[value].base, 0.0) if isinstance(value, str) else (-1, value)

    def group(found: tuple[str, ...]) -> tuple[MeterSum, ...]:
        return tuple(meters[name] for name in found)

    boilers = []
    for b, plan in zip(plant.boilers, p.boilers, strict=True):
        shares = None
        if plan.makeup_meter:
            feeds = next(m.feed_meters for m in p.meters if m.name == plan.makeup_meter)
            shares = (group((plan.makeup_meter,)), group(feeds))
        valve = b.blowdown_valve
        analogue = plan.feedwater if plan.feedwater_by == "analogue" else None
        boilers.append(
            BoilerRule(
                plan=plan,
                base=place,
                feed_slot=names.slot[analogue] if isinstance(analogue, str) else -1,
                feedwater=source(plan.feedwater),
                makeup=source(plan.makeup),
                condensate=source(plan.condensate),
                makeup_share=shares,
                feed=group(plan.feed_meters),
                blown=group(plan.blow_meters),
                opening_kg_h=_opening_kg_h(plant, b),
                bleed_kg_h=(valve.bleed or 0.0) if valve else 0.0,
                modulating=valve is not None and valve.kind == "modulating" and valve.position is not None,
                water_kg=b.water or 0.0,
                tag_cycles=names.tag.get(f"{b.name}.cycles_apparent", -1),
                tag_best=names.tag.get(f"{b.name}.cycles", -1),
                by_test=tuple((what, names.tag[f"{b.name}.cycles_{what}"]) for what in plan.cycles_by),
                tag_of_feedwater=names.tag.get(f"{b.name}.blowdown_of_feedwater", -1),
                tag_of_steam=names.tag.get(f"{b.name}.blowdown_of_steam", -1),
                tag_blow=names.tag.get(f"{b.name}.blow_mass", -1),
            )
        )
        place += BOILER_SUMS
    rules = tuple(
        MeterRule(m, meters[m.name], group(m.feed_meters), _meter_tags(m, names.tag)) for m in p.meters if m.feed_meters
    )
    mixes = tuple(
        MixRule(x, source(x.name), source(x.makeup), source(x.condensate), names.tag[f"{x.name}.makeup_share"])
        for x in p.mixes
    )
    dosing, place = dosing_rules(plant, p, names, {n: (m.index, m.base) for n, m in meters.items()}, place)
    return BalanceRules(
        keys=_keys(place, boilers, meters.values(), waters.values(), dosing),
        boilers=tuple(boilers),
        meters=tuple(meters.values()),
        waters=tuple(waters.values()),
        meter_rules=rules,
        mixes=mixes,
        dosing=dosing,
        tags=len(names.tag),
    )


def _opening_kg_h(plant: Plant, b: Boiler) -> float:
    """What a fully open valve passes: as stated, else through its bore at the boiler's pressure."""
    valve = b.blowdown_valve
    if valve is None or valve.opening_flow is not None or valve.bore is None:
        return (valve.opening_flow or 0.0) if valve else 0.0
    return nozzle_kg_h(b.pressure, valve.bore, atmosphere(plant.plant.altitude))


def _keys(
    size: int,
    boilers: Iterable[BoilerRule],
    meters: Iterable[MeterSum],
    waters: Iterable[WaterSum],
    dosing: DosingRules,
) -> tuple[str, ...]:
    """A name for each quantity, so that a changed plant file finds those it keeps."""
    keys = ["watched", "real"] + [""] * (size - 2)
    for kind, parts, n in (
        ("boiler", [(b.plan.name, b.base) for b in boilers], BOILER_SUMS),
        ("meter", [(m.name, m.base) for m in meters], METER_SUMS),
        ("water", [(x.name, x.base) for x in waters], WATER_SUMS),
        ("pump", [(p.name, p.base) for p in dosing.pumps], PUMP_SUMS),
        ("tank", [(t.name, t.base) for t in dosing.tanks], TANK_SUMS),
    ):
        for name, base in parts:
            keys[base : base + n] = [f"{kind} {name} {k}" for k in range(n)]
    return tuple(keys)


def _meter_tags(m: MeterPlan, tag: Mapping[str, int]) -> tuple[int, int]:
    if m.measures == "blowdown":
        return tag[f"{m.name}.of_feedwater"], tag[f"{m.name}.of_steam"]
    return tag[f"{m.name}.share"], tag.get(f"{m.name}.condensate_return", -1)
