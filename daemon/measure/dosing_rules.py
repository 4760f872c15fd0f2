"""The chemical pumps and their tanks made ready for the loop. Compiled once per plant version; frozen. Pure.

May import: config, daemon.core, this room's rules.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from config.model import Chemical, Plant
from config.written import DAYS
from daemon.core.balances import ChemicalPlan, Plans, pacing_boilers, pacing_meters
from daemon.measure.tank_volume import TankSpec, tank_spec

ON, SEEN, FED, UNSURE = range(4)
"""What is summed of a pump: ms on, ms its relay could be read, L fed, ms in which what was fed is not known."""
PUMP_SUMS: Final = 4
DRAWN, REFILLED, KNOWN = range(3)
"""What is summed of a tank: L drawn, L filled in, ms of which that is known."""
TANK_SUMS: Final = 3
L_PER_M3: Final = 1000.0
DAY_S: Final = 86_400


@dataclass(frozen=True, slots=True)
class Names:
    """Where things are: slots of raw tags, indices of derived tags and boilers."""

    slot: Mapping[str, int]
    tag: Mapping[str, int]
    boiler: Mapping[str, int]
    poll_ms: Mapping[str, int]  # interval of the module of each raw tag


@dataclass(frozen=True, slots=True)
class PacingRule:
    """How a pump is paced; "" and 0 where the plant file does not say. Times ms, volumes m3."""

    way: str
    boilers: tuple[int, ...]  # whose blow paces it
    sampling_ms: int  # the longest of their sample openings: a pump may leave those out
    meters: tuple[int, ...]  # indices of the meters whose volume paces it
    grace_ms: int
    limit_ms: int
    share: float  # plain number; of the time, or of the blow
    cycle_ms: int
    starts_s: tuple[int, ...]  # seconds since Monday 00:00, local
    run_ms: int
    volume_m3: float


@dataclass(frozen=True, slots=True)
class PumpRule:
    name: str
    plan: ChemicalPlan
    slot: int
    when: int
    base: int
    rate_l_h: float  # 0 where it is not written
    dated: bool
    speed_slot: int
    meter: tuple[int, int] | None  # index and sums of a meter of the chemical
    tank: int  # index of the tank in `DosingRules.tanks`, -1
    makeup: tuple[int, ...]  # sums of the makeup meters
    serves: tuple[int, ...]
    pacing: PacingRule | None
    tag_commanded: int
    tag_fed: int
    tag_dose: int
    tag_pacing: int


@dataclass(frozen=True, slots=True)
class TankRule:
    name: str
    slot: int
    spec: TankSpec  # how the level tells the volume
    litres: float
    base: int
    tag: int


@dataclass(frozen=True, slots=True)
class DosingRules:
    pumps: tuple[PumpRule, ...]
    tanks: tuple[TankRule, ...]
    zone: ZoneInfo | None  # None where no pump goes by the clock


def dosing_rules(
    plant: Plant, p: Plans, names: Names, meters: Mapping[str, tuple[int, int]], place: int
) -> tuple[DosingRules, int]:
    """The rules, and the next free place of the sums. `meters`: index and place of each meter by name."""
    tanks: list[TankRule] = []
    for t in plant.tanks:
        spec = tank_spec(t)
        if t.name in p.tanks and spec is not None:
            litres = t.volume * L_PER_M3
            tanks.append(
                TankRule(t.name, names.slot[f"{t.name}.level"], spec, litres, place, names.tag[f"{t.name}.drawn"])
            )
            place += TANK_SUMS
    at = {t.name: i for i, t in enumerate(tanks)}
    pumps: list[PumpRule] = []
    for c, plan in zip(plant.chemicals, p.chemicals, strict=True):
        pumps.append(
            PumpRule(
                name=c.name,
                plan=plan,
                slot=names.slot[f"{c.name}.pump"],
                when=1 if c.closed_means == "running" else 0,
                base=place,
                rate_l_h=(c.rate or 0.0) * L_PER_M3,
                dated=c.rate_date is not None,
                speed_slot=names.slot[c.speed] if c.speed else -1,
                meter=meters[c.meter] if c.meter else None,
                tank=at.get(c.tank or "", -1) if plan.fed_by == "tank" else -1,
                makeup=tuple(meters[name][1] for name in plan.makeup_meters),
                serves=tuple(names.boiler[b] for b in c.serves),
                pacing=_pacing(plant, c, names, meters) if plan.judged else None,
                tag_commanded=names.tag[f"{c.name}.commanded"],
                tag_fed=names.tag.get(f"{c.name}.fed", -1),
                tag_dose=names.tag.get(f"{c.name}.dose", -1),
                tag_pacing=names.tag.get(f"{c.name}.pacing", -1),
            )
        )
        place += PUMP_SUMS
    clock = any(r.pacing and r.pacing.starts_s for r in pumps)
    return DosingRules(tuple(pumps), tuple(tanks), ZoneInfo(plant.plant.zone) if clock else None), place


def _pacing(plant: Plant, c: Chemical, names: Names, meters: Mapping[str, tuple[int, int]]) -> PacingRule:
    by_blow = c.pacing in ("with blow", "after blow")
    boilers = [b for b in plant.boilers if by_blow and b.name in pacing_boilers(plant, c)]
    seen_by = [f"{c.name}.pump"]
    for b in boilers:
        seen_by += [f"{b.name}.{key}" for key in ("valve_command", "valve_open_switch", "valve_position")]
    polls = [names.poll_ms[n] for n in seen_by if n in names.poll_ms]
    share = 100.0 if c.share is None else c.share
    return PacingRule(
        way=c.pacing or "",
        boilers=tuple(names.boiler[b.name] for b in boilers),
        sampling_ms=max((round(b.sample.open * 1000) for b in boilers if b.sample and b.sample.open), default=0),
        meters=tuple(meters[n][0] for n in pacing_meters(plant, c)) if c.pacing == "makeup" else (),
        grace_ms=max(LEAST_GRACE_MS, 3 * max(polls, default=0)),
        limit_ms=round((c.limit or 0.0) * 1000),
        share=share / 100,
        cycle_ms=round((c.cycle or 0.0) * 1000),
        starts_s=tuple(sorted(_starts(c.times))),
        run_ms=round((c.run or 0.0) * 1000),
        volume_m3=c.volume or 0.0,
    )


LEAST_GRACE_MS: Final = 20_000  # a difference shorter than this, or than three polls, says nothing


def _starts(times: tuple[str, ...]) -> list[int]:
    """Seconds since Monday 00:00 of every start in a week."""
    out: set[int] = set()
    for text in times:
        day, _, clock = text.rpartition(" ")
        s = int(clock[:2]) * 3600 + int(clock[3:]) * 60
        days = [DAYS.index(day)] if day else range(7)
        out.update(d * DAY_S + s for d in days)
    return sorted(out)
