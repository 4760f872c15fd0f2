"""How a derived figure came about: the day's sums that were divided, in numbers, and what makes it uncertain.

The sums and the figure are those of the engine (`daemon.measure.balance`, `dosing`) after the group in which the
figure was reckoned; what is written here is the division alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from daemon.core.derived_tag import DerivedTag
from daemon.core.figure_tags import PACING
from daemon.core.reasons import words
from daemon.core.say import minutes
from daemon.measure import balance_figures as made
from daemon.measure import balance_rules as place
from daemon.measure import dosing_rules as dose
from daemon.measure.balance_rules import BoilerRule, MeterSum
from daemon.measure.dosing_rules import PumpRule
from daemon.measure.manual import latest
from daemon.measure.window import HOUR_MS, Sums
from daemon.report import explain_tank
from daemon.report.explain_parts import Step, listed, num
from daemon.report.explain_past import Scene

PRACTICE: Final = "common practice, no source"
BALANCE: Final = "mass balance of a well-mixed boiler, steam without solids"
Rows = tuple[list[str], str, str, str]
"""What is said, the formula, the formula with its numbers, the source."""


def figure(scene: Scene, tag: DerivedTag) -> list[Step]:
    """A figure reckoned every ten minutes from the sums of a day, or a blow's mass."""
    steps = [Step("What it is", (tag.about or tag.label,))] if tag.about or tag.label else []
    sums = scene.now.state.cells.senses.balance.sums
    if tag.what != "event":
        steps.append(_window(scene, sums))
    maker = _MAKERS.get(tag.name.rpartition(".")[2])
    if maker is not None:
        says, formula, worked, source = maker(scene, tag, sums)
        steps.append(Step("Reckoned", tuple(says), formula, worked, source))
    return steps


def _window(scene: Scene, sums: Sums) -> Step:
    hours = sums.of(place.WATCHED) / HOUR_MS
    went = sums.of(place.REAL) / HOUR_MS
    says = [f"{hours:.2f} h watched of the {went:.2f} h that went by; a day counts as one from 20 h on"]
    if scene.now.since_ms is not None:
        says.append(f"these sums were worked out anew from {scene.clock(scene.now.since_ms)} on")
    return Step("The day it is summed over", tuple(says), source=PRACTICE)


# ---------------------------------------------------------------------- boilers


def _rule(scene: Scene, name: str) -> tuple[BoilerRule, int]:
    rules = scene.now.state.programme.wiring.balance.boilers
    i = next(k for k, r in enumerate(rules) if r.plan.name == name)
    return rules[i], i


def _kg(scene: Scene, meters: tuple[MeterSum, ...], sums: Sums) -> str:
    return f"{scene.both(made.kg_of(meters, sums), 'kg')} by {listed([m.name for m in meters])}"


def _cycles(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    r, i = _rule(scene, tag.target)
    measured = r.plan.feedwater_by == "analogue"
    time, total = (place.BOTH, place.COND) if measured else (place.ALONE, place.ALONE_COND)
    ms = sums.of(r.base + time)
    feed, why = made.feedwater_of(r, sums)
    key = "feedwater_conductivity" if r.plan.feedwater_by != "mixture" else "makeup_conductivity"
    where = scene.places.where("boiler", i, key)
    if ms <= 0 or feed is None:
        return ["there was nothing to divide in the time"], "", "", where
    boiler = sums.of(r.base + total) / ms
    says = [
        f"mean representative conductivity while steaming: {scene.both(boiler, 'uS/cm')}, over {ms / HOUR_MS:.2f} h",
        f"feedwater: {scene.both(feed, 'uS/cm')}" + (f" ({words(why)})" if why else ""),
        f"below {made.PURE_US_CM:g} uS/cm of feedwater cycles by conductivity say little",
    ]
    return (
        says,
        "cycles = boiler / feedwater",
        f"{num(boiler)} / {num(feed)} = {num(boiler / feed)}",
        (f"{BALANCE}; feedwater: {where}; {made.PURE_US_CM:g} uS/cm: {PRACTICE}"),
    )


def _by_test(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    what = tag.name.rpartition("_")[2]
    results = scene.now.state.cells.senses.results
    mine, feed = (latest(results, target, what) for target in (tag.target, made.FEEDWATER))
    where = scene.places.where("boiler", _rule(scene, tag.target)[1], "cycles_by")
    if mine is None or feed is None:
        return [f"no {what} has been entered of {tag.target if mine is None else 'the feedwater'}"], "", "", where
    says = [
        f"{of}: {num(x.value)} mg/L, taken {scene.clock(x.taken_at)}, entered by {x.by}"
        for of, x in ((tag.target, mine), ("feedwater", feed))
    ]
    worked = f"{num(mine.value)} / {num(feed.value)}" + (f" = {num(mine.value / feed.value)}" if feed.value > 0 else "")
    return says, "cycles = boiler / feedwater", worked, f"{BALANCE}; {where}; how fresh a test must be: {PRACTICE}"


def _counted(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    r, i = _rule(scene, tag.target)
    s = scene.now.state.cells.senses
    fresh = next((what for what, _ in r.by_test if made.by_test(s, tag.target, what)[1] == 0), "")
    names = [f"{tag.target}.cycles_{what}" for what, _ in r.by_test]
    says = [
        f"tests in this order: {listed(names)}",
        f"the first fresh one: {fresh or 'none, the apparent ones stand in'}",
    ]
    return says, "", "", scene.places.where("boiler", i, "cycles_by")


def _blowdown(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    r, i = _rule(scene, tag.target)
    steam = tag.name.endswith("steam")
    if r.plan.blow_by == "cycles":
        n = scene.now.state.cells.senses.balance.values[r.tag_best if r.by_test else r.tag_cycles]
        by = "cycles" if r.by_test else "cycles_apparent"
        of, share = ("1 / (cycles - 1)", 1 / (n - 1)) if steam and n > 1 else ("1 / cycles", 1 / n if n else 0.0)
        return (
            [f"from the cycles: `explain {tag.target}.{by}` has their steps"],
            (f"blowdown = 100 % x {of}"),
            f"cycles {num(n)}: {num(100 * share)} %",
            BALANCE,
        )
    feed = made.kg_of(r.feed, sums)
    if r.plan.blow_by == "meter":
        says = [f"blown down: {_kg(scene, r.blown, sums)}"]
        blown, source = made.kg_of(r.blown, sums), scene.places.where("boiler", i)
    else:
        open_h, steam_h = sums.of(r.base + place.OPEN) / HOUR_MS, sums.of(r.base + place.STEAMING) / HOUR_MS
        blown = r.opening_kg_h * open_h + r.bleed_kg_h * steam_h
        says = [
            f"blown down: {scene.both(r.opening_kg_h, 'kg/h')} x {open_h:.4f} h open + "
            f"{scene.both(r.bleed_kg_h, 'kg/h')} x {steam_h:.2f} h steaming = {scene.both(blown, 'kg')}"
        ]
        source = f"flow of the valve: {scene.places.where('boiler', i, 'blowdown_valve', 'opening_flow')}"
    says.append(f"feedwater: {_kg(scene, r.feed, sums)}")
    return (says, *_percent(blown, feed, steam), source)


def _percent(blown: float, feed: float, steam: bool) -> tuple[str, str]:
    formula = "100 % x blown down / (feedwater - blown down)" if steam else "100 % x blown down / feedwater"
    below = feed - blown if steam else feed
    if feed <= 0 or below <= 0:
        return formula, f"{num(blown)} kg blown down of {num(feed)} kg: nothing to divide by"
    of = f"({num(feed)} - {num(blown)})" if steam else num(feed)
    return formula, f"100 x {num(blown)} / {of} = {num(100 * blown / below)} %"


def _blow_mass(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    r, i = _rule(scene, tag.target)
    at = scene.group.at_ms
    ended = [b for b in scene.reader.blows(at - 24 * HOUR_MS, at + 1) if b.boiler == tag.target and b.end_ms <= at]
    says = []
    if ended:
        b = ended[-1]
        says.append(
            f"the blow from {scene.clock(b.start_ms)} to {scene.hour(b.end_ms)}: {b.openings} openings, "
            f"{minutes(b.open_ms)} open, plus or minus {minutes(b.plus_minus_ms)}"
        )
    where = scene.places.where("boiler", i, "blowdown_valve")
    by = r.plan.blow_mass_by
    if by == "opening":
        kg = scene.now.state.cells.senses.balance.values[r.tag_blow]
        open_h = kg / r.opening_kg_h
        says.append(f"{minutes(round(open_h * HOUR_MS))} of it count: while an end switch says shut nothing passes")
        worked = f"{scene.both(r.opening_kg_h, 'kg/h')} x {open_h:.5f} h = {scene.both(kg, 'kg')}"
        where = scene.places.where("boiler", i, "blowdown_valve", "opening_flow")
        return says, "mass = flow of the open valve x time open", worked, f"flow: {where}"
    if by == "meter":
        return says, "mass = what the blowdown meters counted from its start to its end", "", f"meter; {where}"
    return says, "the blowdown under which conductivity falls as it did, by the balance", "", f"{BALANCE}; {where}"


# ---------------------------------------------------------------------- meters and waters


def _meter(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    w = scene.now.state.programme.wiring.balance
    r = next(m for m in w.meter_rules if m.plan.name == tag.target)
    i = next(k for k, m in enumerate(scene.plant.meters) if m.name == tag.target)
    mine, feed = made.kg_of((r.meter,), sums), made.kg_of(r.feed, sums)
    says = [f"{_kg(scene, (r.meter,), sums)}; feedwater: {_kg(scene, r.feed, sums)}"]
    where = f"serves: {scene.places.where('meter', i, 'serves')}"
    key = tag.name.rpartition(".")[2]
    if key.startswith("of_"):
        return (says, *_percent(mine, feed, key == "of_steam"), where)
    if feed <= 0:
        return says, "share = 100 % x mass / mass of feedwater", "no feedwater was metered", where
    share = 100 * mine / feed
    if key == "condensate_return":
        return says, "return = 100 % - share of makeup", f"100 - {num(share)} = {num(100 - share)} %", where
    return says, "share = 100 % x mass / mass of feedwater", f"100 x {num(mine)} / {num(feed)} = {num(share)} %", where


def _mix(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    r = next(x for x in scene.now.state.programme.wiring.balance.mixes if x.plan.name == tag.target)
    feed, makeup, cond = (made.mean_of(x, sums) for x in (r.feedwater, r.makeup, r.condensate))
    formula = "share = (feedwater - condensate) / (makeup - condensate)"
    if feed is None or makeup is None or cond is None or makeup == cond:
        return ["one of the three conductivities is not known"], formula, "", BALANCE
    share = 100 * (feed - cond) / (makeup - cond)
    worked = f"({num(feed)} - {num(cond)}) / ({num(makeup)} - {num(cond)}) = {num(share)} %"
    return ["means of the three conductivities, uS/cm"], formula, worked, BALANCE


# ---------------------------------------------------------------------- tanks and pumps


def _tank(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    r = next(t for t in scene.now.state.programme.wiring.balance.dosing.tanks if t.name == tag.target)
    i = next(k for k, t in enumerate(scene.plant.tanks) if t.name == tag.target)
    drawn, filled, known = (sums.of(r.base + k) for k in (dose.DRAWN, dose.REFILLED, dose.KNOWN))
    says = [
        f"falls of the level: {num(drawn)} L, of {known / HOUR_MS:.2f} h that are known; refilled: {num(filled)} L",
        explain_tank.holds(r.spec),
    ]
    where = f"volume: {scene.places.where('tank', i, 'volume')}; level: {scene.places.where('tank', i, 'level')}"
    return says, "drawn = sum of the falls, 0 at least", f"= {scene.both(max(0.0, drawn), 'L')}", where


def _pump(scene: Scene, name: str) -> tuple[PumpRule, int]:
    pumps = scene.now.state.programme.wiring.balance.dosing.pumps
    i = next(k for k, p in enumerate(pumps) if p.name == name)
    return pumps[i], i


def _commanded(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    r, i = _pump(scene, tag.target)
    on, seen = sums.of(r.base + dose.ON), sums.of(r.base + dose.SEEN)
    says = [f"the relay was read for {seen / HOUR_MS:.2f} h of the day"]
    return (
        says,
        "time the relay was on",
        f"{on:.0f} ms = {num(on / HOUR_MS)} h",
        (f"relay: {scene.places.where('chemical', i, 'pump')}"),
    )


def _fed(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    r, i = _pump(scene, tag.target)
    if r.plan.fed_by == "tank":
        tank = scene.now.state.programme.wiring.balance.dosing.tanks[r.tank]
        drawn = max(0.0, sums.of(tank.base + dose.DRAWN))
        says = [f"as drawn from {tank.name}: `explain {tank.name}.drawn` has the steps"]
        return says, "fed = drawn from the tank", f"= {scene.both(drawn, 'L')}", "level of the tank"
    fed, on = sums.of(r.base + dose.FED), sums.of(r.base + dose.ON) / HOUR_MS
    if r.plan.fed_by == "rate":
        says = ["dated draw-down test" if r.dated else "no dated draw-down test: nominal"]
        speed = ", at its speed" if r.speed_slot >= 0 else ""
        date = scene.places.or_default("chemical", i, "rate_date") if r.dated else "no date"
        source = f"rate: {scene.places.where('chemical', i, 'rate')}; date: {date}"
        worked = f"{num(r.rate_l_h)} L/h x {num(on)} h on{speed} = {scene.both(fed, 'L')}"
        return says, "fed = time on x rate of the draw-down test", worked, source
    return (
        [],
        "fed = what the chemical's meter counted",
        f"= {scene.both(fed, 'L')}",
        scene.places.where("chemical", i, "meter"),
    )


def _dose(scene: Scene, tag: DerivedTag, sums: Sums) -> Rows:
    r, i = _pump(scene, tag.target)
    found = next((t for t in scene.tags() if t.name == f"{tag.target}.fed"), None)
    values = scene.now.state.cells.senses.balance.values
    fed = values[r.tag_fed] if found else 0.0
    makeup = sum(sums.of(m) for m in r.makeup)
    formula = "dose = mL fed / m3 of makeup"
    worked = f"1000 x {num(fed)} L / {num(makeup)} m3" + (
        f" = {scene.both(fed * 1000 / makeup, 'mL/m3')}" if makeup > 0 else ""
    )
    return (
        [f"`explain {tag.target}.fed` has the steps of what was fed"],
        formula,
        worked,
        (f"makeup meters of the boilers it serves: {scene.places.where('chemical', i, 'serves')}"),
    )


Maker = Callable[[Scene, DerivedTag, Sums], Rows]
_MAKERS: Final[Mapping[str, Maker]] = {
    "cycles": _counted,
    "cycles_apparent": _cycles,
    "cycles_chloride": _by_test,
    "cycles_silica": _by_test,
    "blowdown_of_feedwater": _blowdown,
    "blowdown_of_steam": _blowdown,
    "blow_mass": _blow_mass,
    "share": _meter,
    "condensate_return": _meter,
    "of_feedwater": _meter,
    "of_steam": _meter,
    "makeup_share": _mix,
    "drawn": _tank,
    "commanded": _commanded,
    "fed": _fed,
    "dose": _dose,
}


def pacing(scene: Scene, tag: DerivedTag) -> list[Step]:
    """Whether a pump ran as its pacing says."""
    r, i = _pump(scene, tag.target)
    c = scene.now.state.cells.senses.balance.pumps[i]
    p = r.pacing
    says = [f"verdict: {PACING[c.verdict]}"]
    if c.judged_at:
        says.append(f"judged at {scene.clock(c.judged_at)}: it ran {minutes(c.ran)} of {minutes(c.due)} due")
    if p is not None:
        says.append(f"a difference shorter than {minutes(p.grace_ms)} says nothing")
        if p.limit_ms:
            says.append(f"limit of one run: {minutes(p.limit_ms)}")
    return [
        Step("How it is paced", (tag.label,), source=scene.places.where("chemical", i, "pacing")),
        Step("Verdict", tuple(says), source=f"tolerances: {PRACTICE}"),
    ]
