"""Tags of derived figures: cycles, blowdown, makeup share, chemical fed, pacing; each with its label and what it is.

Pure. May import: config, daemon.core.balances. One list for the engine, screens and exports.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from config.model import Chemical, Plant
from daemon.core.balances import BoilerPlan, ChemicalPlan, MeterPlan, Plans, plans
from daemon.core.derived_tag import DerivedTag

WINDOW_TEXT: Final = "over the last 24 h (whole hours and the one in progress)"

PACING: Final[tuple[str, ...]] = (
    "not judged yet",
    "as paced",
    "did not run",
    "ran too little",
    "ran too much",
    "ran when it should not",
)
"""What is said of a pump's pacing, stored by index."""


def figure_tags(plant: Plant) -> tuple[DerivedTag, ...]:
    """The tags, in plant-file order: boilers, meters, waters, tanks, chemicals."""
    return tuple(_all(plant, plans(plant)))


def _figure(target: str, key: str, unit: str, label: str, about: str, event: bool = False) -> DerivedTag:
    return DerivedTag(f"{target}.{key}", target, "event" if event else "figure", unit, label, about)


def _all(plant: Plant, p: Plans) -> Iterator[DerivedTag]:
    for b in p.boilers:
        yield from _boiler(b)
    for m in p.meters:
        yield from _meter(m)
    for x in p.mixes:
        yield _figure(
            x.name,
            "makeup_share",
            "%",
            "makeup share of feedwater, by conductivity",
            f"(feedwater - condensate) / (makeup - condensate), of means {WINDOW_TEXT}. Chemicals fed to the feedwater "
            "raise it",
        )
    for t in p.tanks:
        yield _figure(
            t,
            "drawn",
            "L",
            "drawn from the tank in 24 h",
            f"falls of the level {WINDOW_TEXT}, from one mean of ten minutes to the next; a rise of more than half a "
            "percent of the tank is a refill, and what was drawn meanwhile is known when the refill is entered",
        )
    for c, plan in zip(plant.chemicals, p.chemicals, strict=True):
        yield from _chemical(c, plan)


_FEEDWATER: Final = {
    "analogue": "feedwater as measured at the same times",
    "figure": "a written figure for the feedwater",
    "mixture": "the feedwater's conductivity from makeup and condensate by their metered shares",
}


def _boiler(b: BoilerPlan) -> Iterator[DerivedTag]:
    if b.feedwater_by:
        yield _figure(
            b.name,
            "cycles_apparent",
            "",
            "cycles of concentration, apparent (by conductivity)",
            f"mean representative conductivity while steaming over {_FEEDWATER[b.feedwater_by]}, {WINDOW_TEXT}. "
            "Conductivity is not conserved in a boiler: these cycles are apparent, chloride or silica tell true ones",
        )
    for what in b.cycles_by:
        yield _figure(
            b.name,
            f"cycles_{what}",
            "",
            f"cycles of concentration, by {what}",
            f"{what} of the boiler's water over that of the feedwater, by the tests last entered. Fresh while taken "
            "within a day of each other and eight days ago at most; a test stands until the next, not only for 24 h",
        )
    if b.cycles_by:
        first = f"by {' or else '.join(b.cycles_by)}"
        yield _figure(
            b.name,
            "cycles",
            "",
            f"cycles of concentration, {first}",
            f"{first} while the tests are fresh, else the apparent ones {WINDOW_TEXT}",
        )
    if b.percent_of:
        how = {
            "meter": "metered blowdown and feedwater, as masses",
            "opening": "open time of the valve times its flow, and the stated bleed, over metered feedwater",
            "cycles": "1/cycles of feedwater, 1/(cycles - 1) of steam, from the cycles above",
        }[b.blow_by]
        for key, of in (("blowdown_of_feedwater", "feedwater"), ("blowdown_of_steam", "steam")):
            yield _figure(
                b.name,
                key,
                "%",
                f"surface blowdown, % of {of}",
                f"{how}, {WINDOW_TEXT}; steam is feedwater less blowdown. Bottom blowdown is not in it",
            )
    if b.blow_mass_by:
        how = {
            "meter": "by the blowdown meter",
            "opening": "by the flow of the open valve and the time it was open",
            "balance": "by the fall of conductivity in the boiler's water",
        }[b.blow_mass_by]
        yield _figure(b.name, "blow_mass", "kg", f"last blow, {how}", f"mass of the last blow, {how}", event=True)


def _meter(m: MeterPlan) -> Iterator[DerivedTag]:
    if not m.feed_meters:
        return
    over = f"mass over the feedwater of the same boilers ({', '.join(m.feed_meters)}), {WINDOW_TEXT}"
    if m.measures == "makeup":
        yield _figure(m.name, "share", "%", "makeup, % of feedwater", over)
        yield _figure(
            m.name,
            "condensate_return",
            "%",
            "condensate return, % of feedwater",
            f"100 % less the share of makeup: {over}. What overflows or is drained counts as not returned",
        )
    elif m.measures == "condensate":
        yield _figure(m.name, "share", "%", "condensate, % of feedwater", over)
    else:
        for key, of in (("of_feedwater", "feedwater"), ("of_steam", "steam")):
            yield _figure(
                m.name,
                key,
                "%",
                f"blowdown, % of {of}",
                f"{over}; steam is feedwater less blowdown" if of == "steam" else over,
            )


def _chemical(c: Chemical, plan: ChemicalPlan) -> Iterator[DerivedTag]:
    yield _figure(
        c.name,
        "commanded",
        "h",
        "commanded in 24 h",
        f"time the pump's relay was on, {WINDOW_TEXT}. A relay commands: that chemical was fed it does not show",
    )
    if plan.fed_by:
        day = f"of {c.rate_date}" if c.rate_date else "without a dated draw-down test: nominal"
        how = {
            "meter": f"strokes or volume counted by {c.meter}, their volume {day}",
            "rate": f"commanded time times the rate {day}" + (f", times the speed {c.speed}" if c.speed else ""),
            "tank": f"fall of the level of {c.tank}",
        }[plan.fed_by]
        label = "fed in 24 h" + ("" if c.rate_date or plan.fed_by == "tank" else " (nominal)")
        yield _figure(c.name, "fed", "L", label, f"{how}, {WINDOW_TEXT}")
        if plan.makeup_meters:
            yield _figure(
                c.name,
                "dose",
                "mL/m3",
                "dose of the makeup",
                f"fed over the volume of {' and '.join(plan.makeup_meters)}, {WINDOW_TEXT}",
            )
    if plan.judged:
        yield DerivedTag(
            f"{c.name}.pacing",
            c.name,
            "pacing",
            "",
            f"pacing: {c.pacing}",
            "whether the pump last ran as its pacing says",
        )
