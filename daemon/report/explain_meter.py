"""How a meter's count, total and rate came about.

The figures are those of the engine's own counter (`daemon.measure.counter`) before and after the group.
"""

from __future__ import annotations

import math
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

from daemon.core.plant_days import hours
from daemon.core.reasons import words
from daemon.core.say import minutes
from daemon.core.scan import Count
from daemon.core.tags import DerivedTag
from daemon.measure.counter import ALLOWANCE, LATE_MS, OVERLOAD, Counter, most_pulses, wrapped_step
from daemon.measure.meter_spec import COLD_C, HOUR_MS, MeterSpec
from daemon.measure.pulse_rate import ENOUGH, LONGEST_MS, WINDOW_MS
from daemon.report.explain_parts import Step, num
from daemon.report.explain_past import Known, Scene

AWHILE: Final = 600  # polls
PRACTICE: Final = "common practice, no source"


def counter_of(known: Known | None, meter: str) -> tuple[Counter, MeterSpec] | None:
    """A meter's counter in a state and the figures it goes by."""
    if known is None:
        return None
    m = next((m for m in known.state.programme.wiring.meters if m.name == meter), None)
    return None if m is None else (known.state.cells.senses.counters[m.slot], m.spec)


def step_taken(scene: Scene, meter: str, count: Count) -> Step:
    """From the count believed before to this one: flow, rollover, restart, stutter, running back or nonsense."""
    before, title = counter_of(scene.before, meter), "Step since the count before"
    if before is None or before[0].last < 0:
        return Step(title, ("there is no count before this one to compare it with",))
    c, spec = before[0].clone(), before[1]
    c.turn(spec, scene.group.at_ms)
    if spec.clears:
        return _increment(scene, meter, c, spec, int(count))
    now, last = c.now(spec), c.last
    gap_ms = scene.group.elapsed_ms - c.last_elapsed_ms
    whole = int(count) % now.modulus if now.modulus else int(count)
    pulses, limit = wrapped_step(last, whole, now.modulus), most_pulses(gap_ms, now, fell=whole < last)
    doubt, total = c.doubt, c.total
    reason = int(c.step(count, scene.group.elapsed_ms, now))
    says = [f"the last count believed was {last}, {minutes(gap_ms)} before"]
    if doubt >= 0:
        says.append(f"a count of {doubt} stood in doubt")
    if whole < last and 0 <= pulses <= limit:
        says.append("it went round its end")
    says.append(f"verdict: {words(reason)}; {c.total - total} pulses are added to the total")
    i, rate = _index(scene, meter), (1.0 if whole < last else OVERLOAD) * now.max_per_ms * 1000
    return Step(
        title,
        tuple(says),
        f"step = count - last count{f' modulo {now.modulus}' if now.modulus else ''}; it can be flow up to "
        f"{_rate(whole < last)} x (time + {LATE_MS / 1000:g} s) + {ALLOWANCE:g} pulses",
        f"({whole} - {last}){f' mod {now.modulus}' if now.modulus else ''} = {pulses} pulses; at most "
        f"{num(rate)} /s x {(gap_ms + LATE_MS) / 1000:g} s + {ALLOWANCE:g} = {num(limit)}",
        f"max_rate: {scene.places.where('meter', i, 'max_rate')}; for uneven polls: {PRACTICE}",
    )


def _rate(fell: bool) -> str:
    return "max_rate" if fell else f"{OVERLOAD:g} x max_rate"


def _increment(scene: Scene, meter: str, c: Counter, spec: MeterSpec, count: int) -> Step:
    """A register that reading clears: what it held came since the last reading, and is added this one time."""
    now, gap_ms, total = c.now(spec), scene.group.elapsed_ms - c.last_elapsed_ms, c.total
    reason = int(c.add(count, 0, scene.group.elapsed_ms, now))
    i = _index(scene, meter)
    return Step(
        "Increment",
        (
            f"reading clears this register: the count is what came in the {minutes(gap_ms)} since the last reading",
            f"verdict: {words(reason)}; {c.total - total} pulses are added to the total",
        ),
        f"it can be flow up to {_rate(False)} x (time + {LATE_MS / 1000:g} s) + {ALLOWANCE:g} pulses",
        f"{count} pulses; at most {num(most_pulses(gap_ms, now))}",
        f"max_rate: {scene.places.where('meter', i, 'max_rate')}; for uneven polls: {PRACTICE}",
    )


def worth(scene: Scene, meter: str) -> Step:
    """What a counted pulse stands for now."""
    i = _index(scene, meter)
    m, found = scene.plant.meters[i], counter_of(scene.now, meter)
    assert found is not None
    c, spec = found
    now = c.now(spec)
    where = scene.places.where("meter", i, "pulse" if m.pulse is not None else "k_factor")
    says = f"{scene.both(now.pulse_m3, _unit(scene, meter))} for each pulse that is counted"
    if c.era:
        where = scene.places.where("meter", i, "changes", c.era - 1)
        says += f", since {scene.clock(spec.changes[c.era - 1].from_ms)}"
    elif m.pulse is None and m.k_factor is not None:
        says += f": 1 / ({num(m.k_factor)} pulses a m3) x divider {m.divider}"
    elif m.divider != 1:
        says += f": {scene.both(m.pulse or 0.0, _unit(scene, meter))} x divider {m.divider}"
    return Step("What a pulse is worth", (says,), source=where)


def density(scene: Scene, meter: str) -> Step:
    """kg of water in a m3 that passed the meter."""
    i = _index(scene, meter)
    m, found = scene.plant.meters[i], counter_of(scene.now, meter)
    assert found is not None
    celsius = COLD_C if m.temperature is None else m.temperature
    return Step(
        "Mass of the water",
        (f"{num(found[0].now(found[1]).density)} kg/m3 at {scene.both(celsius, '°C')} in the meter",),
        source=f"density of water: IAPWS-IF97; temperature: {scene.places.or_default('meter', i, 'temperature')}",
    )


def total(scene: Scene, tag: DerivedTag) -> list[Step]:
    """A total in m3 or kg since the log began; where that is too long ago, from one stored a while before."""
    kg, earlier = tag.what == "mass", None
    if not scene.past.whole(scene.group.number):
        earlier = scene.last_of(tag, scene.group.number - min(scene.past.reach, AWHILE) // 2)
    began = scene.past.after(earlier[0].group.number) if earlier else None  # first, so that the two are one stretch
    found = counter_of(scene.now, tag.target)
    assert found is not None
    c, spec = found
    now, before = c.now(spec), counter_of(began, tag.target)
    steps = [worth(scene, tag.target), *([density(scene, tag.target)] if kg else [])]
    says = [f"last count {c.last}" if c.last >= 0 else "no count yet"]
    for n, text in (
        (c.restarts, "restarts or gaps of unknown size: the total is at least this"),
        (c.refused, "pulses were refused: no meter passes so much"),
        (c.slow, "pulses came below the meter's least flow, where it tells less than it passes: at least this"),
        (c.behind, "pulses ran back and are not made up yet"),
    ):
        if n:
            says.append(f"{n} {text}")
    per = f"{num(now.pulse_m3)} m3" + (f" x {num(now.density)} kg/m3" if kg else "")
    value = c.mass(spec) if kg else c.volume(spec)
    if scene.now.since_ms is None:
        formula = "total = what passed while a pulse was worth something else + pulses since x what one is worth"
        worked = f"{num(c.base_kg if kg else c.base_m3)} + ({c.total} - {c.base_total}) x {per}"
        return [*steps, _total(says, formula, f"{worked} = {scene.both(value, tag.unit)}")]
    if earlier is None or before is None:
        return [*steps, _total([*says, "no total stored before is at hand to go on from"], "", "")]
    old = before[0].mass(before[1]) if kg else before[0].volume(before[1])
    stored, pulses = earlier[1].value, c.total - before[0].total
    formula = "total = the one stored before + pulses since x what one was worth"
    worked = f"{num(stored)} at {scene.hour(earlier[0].group.at_ms)} + {pulses} pulses x {per}"
    return [*steps, _total(says, formula, f"{worked} = {scene.both(stored + value - old, tag.unit)}")]


def _total(says: list[str], formula: str, worked: str) -> Step:
    return Step("Total since the log began", tuple(says), formula, worked)


def day(scene: Scene, tag: DerivedTag) -> list[Step]:
    """What passed on a day of the plant's calendar: yesterday, or since midnight."""
    w, s = scene.now.state.programme.wiring, scene.now.state.cells.senses
    found = counter_of(scene.now, tag.target)
    assert found is not None
    c, spec = found
    daily = s.days[next(i for i, m in enumerate(w.meters) if m.name == tag.target)]
    steps, zone = [worth(scene, tag.target)], f"[plant] zone: {w.zone}"
    if daily.day < 0:
        return [*steps, Step("Day", ("no count yet",), source=zone)]
    today, why = daily.today(c, spec)
    began = date.fromordinal(daily.day)
    if tag.what == "day":
        long = f"{date.fromordinal(daily.day - 1)}, {hours(daily.day - 1, ZoneInfo(w.zone)):g} h long"
        says = [f"{long}: what the total rose by from one midnight to the next", words(daily.yesterday_reason)]
        if daily.yesterday is None:
            return [*steps, Step("Day of the plant's calendar", ("no day has ended yet",), source=zone)]
        ends, volume = daily.begin_m3, daily.yesterday
        worked = f"{num(ends)} - {num(ends - volume)} = {scene.both(volume, tag.unit)}"
        formula = "total at the midnight that ends it - total at the one that begins it"
        return [*steps, Step("Day of the plant's calendar", tuple(says), formula, worked, zone)]
    worked = f"{num(c.volume(spec))} - {num(daily.begin_m3)} = {scene.both(today, tag.unit)}"
    says = [f"since the midnight that began {began}", *([words(why)] if why else [])]
    return [*steps, Step("Since midnight", tuple(says), "total now - total at midnight", worked, zone)]


def rate(scene: Scene, tag: DerivedTag) -> list[Step]:
    """A rate in m3/h or kg/h."""
    found, kg = counter_of(scene.now, tag.target), tag.what == "mass_rate"
    assert found is not None
    c, spec = found
    real, now, pace = c.last_elapsed_ms, c.now(spec), c.pace  # as of the last count, as the engine tells it
    flow, value = pace.flow(real, now), c.mass_rate(real, spec) if kg else c.rate(real, spec)
    steps = [worth(scene, tag.target), *([density(scene, tag.target)] if kg else [])]
    if flow is None or value is None:
        return [*steps, Step("Rate", ("it takes pulses some time apart to tell a rate",))]
    scale = now.density if kg else 1.0
    high = "not known" if math.isinf(flow.high) else scene.both(flow.high * scale, tag.unit)
    bounds = f"pulses are known to the poll: it is between {scene.both(flow.low * scale, tag.unit)} and {high}"
    per = f"{num(now.pulse_m3)} m3" + (f" x {num(now.density)} kg/m3" if kg else "")
    i = _index(scene, tag.target)
    least = f"least flow: {scene.places.or_default('meter', i, 'minimum_flow')}"
    if pace.old_ms < 0:
        says = f"no pulse for {minutes(real - pace.first_ms)}, since the first count: it stands still"
        return [*steps, Step("Rate", (says, bounds), source=PRACTICE)]
    n, t, quiet = pace.new_n - pace.old_n, pace.new_ms - pace.old_ms, real - pace.new_ms
    window = (
        f"from one pulse to another, at least {minutes(WINDOW_MS)} and {ENOUGH} pulses, at most {minutes(LONGEST_MS)}"
        f" where there are two: {n} pulses in {t / 1000:g} s"
    )
    says_all = [window, bounds]
    worked = f"{n} / {t / 1000:g} s"
    if quiet > 0:
        says_all.append(f"no pulse for the last {minutes(quiet)}: it is no more than one pulse in that time")
        worked = f"the lesser of {worked} and 1 / {quiet / 1000:g} s"
    if flow.reason:
        says_all.append(words(flow.reason))
    if value == 0:
        says_all.append("that is below the meter's least flow: 0")
    return [
        *steps,
        Step(
            "Rate",
            tuple(says_all),
            "rate = pulses / time x what one is worth",
            f"{worked}, x {HOUR_MS // 1000} s/h x {per} = {scene.both(value, tag.unit)}",
            f"window and bounds: {PRACTICE}; {least}",
        ),
    ]


def _unit(scene: Scene, meter: str) -> str:
    return "m3 gas" if scene.plant.meters[_index(scene, meter)].measures == "fuel" else "m3"


def _index(scene: Scene, meter: str) -> int:
    return next(i for i, m in enumerate(scene.plant.meters) if m.name == meter)
