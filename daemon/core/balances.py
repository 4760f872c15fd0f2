"""Which balances a plant allows: cycles, blowdown, makeup, chemical fed, and what each is reckoned from.

Pure. May import: config. The tags of derived figures (`figure_tags`) and the arithmetic that fills them
(`daemon.measure.balance`) both follow from the plans made here, so that a tag is there exactly when something can be
said. A meter of several boilers is never divided among them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from config.model import Chemical, Meter, Plant

FeedwaterBy = Literal["analogue", "figure", "mixture", ""]
BlowBy = Literal["meter", "opening", "cycles", ""]
FedBy = Literal["meter", "rate", "tank", ""]


@dataclass(frozen=True, slots=True)
class BoilerPlan:
    """How one boiler's figures come about; "" and () where they cannot."""

    name: str
    feedwater_by: FeedwaterBy
    feedwater: float | str | None  # analogue or figure
    makeup: float | str | None  # for a mixture
    condensate: float | str | None
    makeup_meter: str  # the meter whose share mixes makeup and condensate, "" when none
    feed_meters: tuple[str, ...]  # feedwater to this boiler alone
    blow_meters: tuple[str, ...]  # blowdown of this boiler alone
    blow_by: BlowBy  # for percentages
    blow_mass_by: Literal["meter", "opening", "balance", ""]  # for one blow
    percent_of: bool  # percentages of feedwater and steam can be told
    cycles_by: tuple[str, ...]  # tests entered by hand that tell cycles, best first


@dataclass(frozen=True, slots=True)
class MeterPlan:
    """A meter set against all the feedwater of the boilers it serves; `feed_meters` () when that is not metered."""

    name: str
    measures: str
    feed_meters: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MixPlan:
    """Makeup's share of one feedwater from three conductivities; `name` is the feedwater's analogue."""

    name: str
    makeup: float | str
    condensate: float | str


@dataclass(frozen=True, slots=True)
class ChemicalPlan:
    """How what one pump has fed is told, and what paces it."""

    name: str
    fed_by: FedBy
    makeup_meters: tuple[str, ...]
    judged: bool  # whether it runs as paced can be told


@dataclass(frozen=True, slots=True)
class Plans:
    boilers: tuple[BoilerPlan, ...]
    meters: tuple[MeterPlan, ...]
    mixes: tuple[MixPlan, ...]
    tanks: tuple[str, ...]  # tanks whose level tells volume
    chemicals: tuple[ChemicalPlan, ...]


def plans(plant: Plant) -> Plans:
    """All that can be reckoned, in plant-file order."""
    return Plans(
        boilers=tuple(_boilers(plant)),
        meters=tuple(
            MeterPlan(m.name, m.measures, covering(plant, m.serves))
            for m in plant.meters
            if m.measures in ("makeup", "condensate", "blowdown")
        ),
        mixes=tuple(_mixes(plant)),
        tanks=tuple(t.name for t in plant.tanks if t.tells_volume),
        chemicals=tuple(_chemicals(plant)),
    )


def covering(plant: Plant, serves: Iterable[str]) -> tuple[str, ...]:
    """The feedwater meters that together are all the feedwater of these boilers and of no other, () when none are."""
    wanted = set(serves)
    inside = [m for m in plant.meters if m.measures == "feedwater" and m.serves and set(m.serves) <= wanted]
    served = [name for m in inside for name in m.serves]
    return tuple(m.name for m in inside) if wanted and sorted(served) == sorted(wanted) else ()


def _alone(plant: Plant, boiler: str, measures: str) -> tuple[str, ...]:
    """Meters of one kind for one boiler; () as soon as another of the kind serves it with others: it is not all."""
    of = [m for m in plant.meters if m.measures == measures and boiler in m.serves]
    return tuple(m.name for m in of) if all(m.serves == (boiler,) for m in of) else ()


def _boilers(plant: Plant) -> Iterator[BoilerPlan]:
    for b in plant.boilers:
        mixed = b.makeup_conductivity is not None and b.condensate_conductivity is not None
        makeup_meter = next(
            (
                m.name
                for m in plant.meters
                if m.measures == "makeup" and b.name in m.serves and covering(plant, m.serves)
            ),
            "",
        )
        by: FeedwaterBy = ""
        if b.conductivity is not None:
            if isinstance(b.feedwater_conductivity, str):
                by = "analogue"
            elif b.feedwater_conductivity is not None:
                by = "figure"
            elif mixed and makeup_meter:
                by = "mixture"
        feed, blown = _alone(plant, b.name, "feedwater"), _alone(plant, b.name, "blowdown")
        valve = b.blowdown_valve
        seen = valve is not None and any((valve.command, valve.open_switch, valve.shut_switch, valve.position))
        opening = valve is not None and bool(valve.opening_flow or valve.bore) and seen
        blow_by: BlowBy = "meter" if blown and feed else "opening" if opening and feed else ""
        if not blow_by and (by or b.cycles_by):
            blow_by = "cycles"
        mass_by: Literal["meter", "opening", "balance", ""] = ""
        if seen:
            balance = b.water is not None and bool(by) and bool(feed)
            mass_by = "meter" if blown else "opening" if opening else "balance" if balance else ""
        yield BoilerPlan(
            name=b.name,
            feedwater_by=by,
            feedwater=b.feedwater_conductivity,
            makeup=b.makeup_conductivity,
            condensate=b.condensate_conductivity,
            makeup_meter=makeup_meter,
            feed_meters=feed,
            blow_meters=blown,
            blow_by=blow_by,
            blow_mass_by=mass_by,
            percent_of=bool(blow_by),
            cycles_by=tuple(dict.fromkeys(b.cycles_by)),
        )


def _mixes(plant: Plant) -> Iterator[MixPlan]:
    done: set[str] = set()
    for b in plant.boilers:
        feed, makeup, condensate = b.feedwater_conductivity, b.makeup_conductivity, b.condensate_conductivity
        if isinstance(feed, str) and makeup is not None and condensate is not None and feed not in done:
            done.add(feed)
            yield MixPlan(feed, makeup, condensate)


def makeup_of(plant: Plant, serves: tuple[str, ...]) -> tuple[Meter, ...]:
    """The makeup meters of exactly these boilers."""
    return tuple(m for m in plant.meters if m.measures == "makeup" and set(m.serves) == set(serves))


def _chemicals(plant: Plant) -> Iterator[ChemicalPlan]:
    told = {t.name for t in plant.tanks if t.tells_volume}
    for c in plant.chemicals:
        alone = c.tank in told and sum(other.tank == c.tank for other in plant.chemicals) == 1
        fed: FedBy = "meter" if c.meter else "rate" if c.rate else "tank" if alone else ""
        makeup = tuple(m.name for m in makeup_of(plant, c.serves)) if fed else ()
        yield ChemicalPlan(c.name, fed, makeup, _judged(plant, c))


def pacing_meters(plant: Plant, c: Chemical) -> tuple[str, ...]:
    """The meters whose volume paces a pump: those named, else the makeup meters of the boilers it serves."""
    return c.paced_by or tuple(m.name for m in makeup_of(plant, c.serves))


def pacing_boilers(plant: Plant, c: Chemical) -> tuple[str, ...]:
    """The boilers whose blow paces a pump: those named, else those it serves."""
    return c.paced_by or c.serves


def _judged(plant: Plant, c: Chemical) -> bool:
    if c.pacing in ("with blow", "after blow"):
        by = set(pacing_boilers(plant, c))
        valves = {b.name: b.blowdown_valve for b in plant.boilers}
        return bool(by) and all(
            (v := valves.get(n)) is not None and any((v.command, v.open_switch, v.shut_switch, v.position)) for n in by
        )
    if c.pacing == "share of time":
        return c.share is not None and c.cycle is not None
    if c.pacing == "schedule":
        return bool(c.times) and c.run is not None
    if c.pacing == "makeup":
        return c.volume is not None and c.run is not None and bool(pacing_meters(plant, c))
    return False
