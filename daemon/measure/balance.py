"""Water and solids over a day: cycles, blowdown, makeup and condensate, the mass of a blow. Balances are in mass.

`follow` moves the sums by one group and reckons every figure anew each ten minutes (and a blow's mass at its end).
Pure. May import: config, daemon.core, daemon.water, this room. What each figure is and from what it comes is said by
its tag (`daemon.core.figure_tags`); what could not be seen lowers its quality, it is never guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from daemon.core.cells import Cell, cell
from daemon.core.outcome import Blow, Derived
from daemon.core.reasons import Quality, Reason, quality
from daemon.measure import dosing
from daemon.measure.balance_figures import boiler_figures, feedwater_of, meter_figures, mix_figure, steam_kg_h
from daemon.measure.balance_rules import (
    ALONE,
    ALONE_COND,
    ALONE_SHAKY,
    BLIND,
    BOTH,
    COND,
    FEED,
    OPEN,
    REAL,
    SHAKY,
    STEAMING,
    WATCHED,
    BalanceRules,
    BoilerRule,
)
from daemon.measure.boiler_state import STEAMING as STEAMS
from daemon.measure.dosing import TankCell
from daemon.measure.figure import Figure
from daemon.measure.pacing import PacingCell
from daemon.measure.sampling import interval_ms
from daemon.measure.window import HOUR_MS, Sums, fresh_sums, turn
from daemon.water.balance import blown

if TYPE_CHECKING:
    from daemon.measure.senses import BoilerCell, Senses, Taken
    from daemon.measure.wiring import BoilerWiring, Wiring

STALE_CONTINUOUS_MS: Final = 600_000  # a continuous sample's reading older than this is no longer the boiler's
GAPS: Final = frozenset({Reason.COUNTER_RESTARTED, Reason.COUNTER_STEP_REFUSED, Reason.COUNTS_LOST})
"""Reasons under which a total may lack something."""
SHORTEST_FALL: Final = 0.005  # of the reading: less says nothing of a blow's mass


@cell
class BlowStart(Cell):
    """What stood when the blow in progress began, and when its readings came (elapsed ms, -1 for none)."""

    on: bool = False
    kg: float = 0.0  # of the blowdown meters
    open_ms: float = 0.0
    first_ms: int = -1
    last_ms: int = -1


@cell
class Balance(Cell):
    """All that the figures are made of. `values` and `reasons` are the last ones told, by index of the derived tag."""

    sums: Sums
    m3: list[float]  # each meter's total at the last group, -1 before the first count
    kg: list[float]
    open_ms: list[float]  # each boiler's open time (by share of opening) since the log began
    blows: list[BlowStart]
    tanks: list[TankCell]
    pumps: list[PacingCell]
    values: list[float]
    reasons: list[int]
    real: int = -1


def fresh_balance(r: BalanceRules) -> Balance:
    """Nothing known yet."""
    n = len(r.meters)
    return Balance(
        sums=fresh_sums(len(r.keys)),
        m3=[-1.0] * n,
        kg=[0.0] * n,
        open_ms=[0.0] * len(r.boilers),
        blows=[BlowStart() for _ in r.boilers],
        tanks=[TankCell() for _ in r.dosing.tanks],
        pumps=[PacingCell() for _ in r.dosing.pumps],
        values=[0.0] * r.tags,
        reasons=[int(Reason.NOT_KNOWN_YET)] * r.tags,
    )


def carried(old: Balance, was: BalanceRules, r: BalanceRules) -> Balance:
    """A balance under a changed plant file: what bears the same name goes on, means of levels begin anew.

    A boiler, pump or tank whose rule changed is summed afresh: what was reckoned by the old figure is not mixed with
    the new one. Meters go on, since their totals do.
    """
    c = fresh_balance(r)
    changed = _changed(was, r)
    place = {key: k for k, key in enumerate(was.keys)}
    source = [place.get(key, -1) if key.rpartition(" ")[0] not in changed else -1 for key in r.keys]

    def columns(row: Sequence[float]) -> list[float]:
        return [row[k] if k >= 0 else 0.0 for k in source]

    sums = old.sums
    c.sums = Sums(
        columns(sums.now),
        sums.hour,
        tuple(tuple(columns(row)) for row in sums.past),
        tuple(columns(sums.done)) if sums.done else (),
    )
    c.real = old.real
    meters = {m.name: m.index for m in was.meters}
    for m in r.meters:
        if m.name in meters:
            c.m3[m.index], c.kg[m.index] = old.m3[meters[m.name]], old.kg[meters[m.name]]
    pacing = {p.name: (p.pacing, cell) for p, cell in zip(was.dosing.pumps, old.pumps, strict=True)}
    for k, pump in enumerate(r.dosing.pumps):
        if pump.name in pacing and pacing[pump.name][0] == pump.pacing:
            c.pumps[k] = pacing[pump.name][1].clone()
    return c


def _changed(was: BalanceRules, r: BalanceRules) -> set[str]:
    """Kind and name of each part whose figures mean something else now."""

    def figures_of(x: BalanceRules) -> dict[str, object]:
        return {
            **{
                f"boiler {b.plan.name}": (b.plan.feedwater, b.opening_kg_h, b.bleed_kg_h, b.modulating)
                for b in x.boilers
            },
            **{f"pump {p.name}": (p.plan.fed_by, p.rate_l_h, p.when) for p in x.dosing.pumps},
            **{f"tank {t.name}": t.spec for t in x.dosing.tanks},
        }

    before, after = figures_of(was), figures_of(r)
    return {name for name, now in after.items() if name in before and before[name] != now}


def follow(s: Senses, w: Wiring, dt: int, gap: bool, repeat: bool, out: Taken) -> None:
    """Take one group: `dt` ms of watched time since the last; `repeat`: a period of ten minutes has begun."""
    c, r = s.balance, w.balance
    turn(c.sums, s.real)
    now = c.sums.now
    now[WATCHED] += dt
    now[REAL] += s.real - c.real if c.real >= 0 else 0
    c.real = s.real
    before = c.kg[:]
    passed = _meters(c, r, s, w)
    for water in r.waters:
        value = s.values[water.slot]
        if value is not None and quality(s.reasons[water.slot]) is not Quality.BAD:
            now[water.base] += dt
            now[water.base + 1] += value * dt
    for i, rule in enumerate(r.boilers):
        _boiler(c, i, rule, s, w.boilers[i], dt, before)
    if out.blows:
        _masses(c, r, s, out)
    if s.results_new:
        dosing.take_refills(c.tanks, r.dosing, s, c.sums)
    dosing.follow_tanks(c.tanks, r.dosing, s, c.sums, dt, repeat)
    dosing.follow_pumps(c.pumps, r.dosing, s, c.sums, passed, dt, gap)
    if repeat or s.results_new:
        for f in figures(s, r):
            _tell(c, f, out)
    else:
        for p, pump in zip(c.pumps, r.dosing.pumps, strict=True):
            if p.verdict and p.verdict != c.values[pump.tag_pacing]:
                for f in dosing.pump_figures(pump, p, s, c.sums, r.dosing.tanks):
                    if f.tag == pump.tag_pacing and f.value is not None:
                        _tell(c, f, out)


def figures(s: Senses, r: BalanceRules) -> list[Figure]:
    """Every figure as it stands now."""
    c = s.balance
    out: list[Figure] = []
    for rule, b in zip(r.boilers, s.boilers, strict=True):
        out += boiler_figures(rule, c.sums, s, b)
    for m in r.meter_rules:
        out += meter_figures(m, c.sums)
    out += [mix_figure(x, c.sums) for x in r.mixes]
    out += [dosing.tank_figure(t, c.sums) for t in r.dosing.tanks]
    for pump, p in zip(r.dosing.pumps, c.pumps, strict=True):
        out += dosing.pump_figures(pump, p, s, c.sums, r.dosing.tanks)
    return out


def _tell(c: Balance, f: Figure, out: Taken) -> None:
    value = 0.0 if f.value is None else f.value
    c.values[f.tag], c.reasons[f.tag] = value, f.reason
    out.derived.append(Derived(f.tag, value, f.reason))


def _meters(c: Balance, r: BalanceRules, s: Senses, w: Wiring) -> Sequence[float]:
    """Sum what passed since the last group; m3 by meter."""
    now = c.sums.now
    passed = [0.0] * len(r.meters)
    counters, whys = s.counters, s.counter_reasons
    for m, wired in zip(r.meters, w.meters, strict=True):
        slot, i = wired.slot, m.index
        counter = counters[slot]
        if counter.last < 0:
            continue
        spec = wired.spec
        if counter.era:
            spec = spec.changes[counter.era - 1].spec
        pulses = (counter.total - counter.base_total) * spec.pulse_m3
        m3, before = counter.base_m3 + pulses, c.m3[i]
        if m3 != before:
            kg = counter.base_kg + pulses * spec.density
            if m3 > before >= 0:
                passed[i] = m3 - before
                now[m.base] += passed[i]
                now[m.base + 1] += kg - c.kg[i]
            c.m3[i], c.kg[i] = m3, kg
        if whys[slot] in GAPS:
            now[m.base + 2] += 1
    return passed


def _boiler(
    c: Balance, i: int, r: BoilerRule, s: Senses, b_wiring: BoilerWiring, dt: int, before: Sequence[float]
) -> None:
    b, now, base = s.boilers[i], c.sums.now, r.base
    opened = dt * _opening(s, b, b_wiring, r.modulating) if b.valve == 1 else 0.0
    _blow(c, i, r, s, b, before)
    c.open_ms[i] += opened
    now[base + OPEN] += opened
    if not b.valve_read:
        now[base + BLIND] += dt
    if b.state.state != STEAMS:
        return
    now[base + STEAMING] += dt
    smp = b.sampler
    if smp.value is None or not smp.this_run or _stale(s.t - smp.elapsed_ms, b, b_wiring):
        return
    shaky = dt if smp.reason else 0
    now[base + ALONE] += dt
    now[base + ALONE_COND] += smp.value * dt
    now[base + ALONE_SHAKY] += shaky
    if r.feed_slot < 0 or quality(s.reasons[r.feed_slot]) is Quality.BAD:
        return
    feed = s.values[r.feed_slot]
    if feed is not None:
        now[base + BOTH] += dt
        now[base + COND] += smp.value * dt
        now[base + FEED] += feed * dt
        now[base + SHAKY] += dt if s.reasons[r.feed_slot] else shaky


def _opening(s: Senses, b: BoilerCell, w: BoilerWiring, modulating: bool) -> float:
    """The share of its full opening that a valve taken as open has. One whose end switch says shut lets nothing by."""
    if w.shut_switch.slot >= 0:
        switch = s.contacts[w.shut_switch.slot]
        if switch.on == w.shut_switch.when and not s.contact_reasons[w.shut_switch.slot]:
            return 0.0
    position = s.values[w.position] if modulating else None
    return 1.0 if position is None else min(max(position, 0.0), 100.0) / 100


def _stale(age_ms: int, b: BoilerCell, w: BoilerWiring) -> bool:
    """Whether a representative reading so old no longer stands for the boiler's water; none that is fresh is."""
    return age_ms > STALE_CONTINUOUS_MS and age_ms > _lasts(b, w)


def _lasts(b: BoilerCell, w: BoilerWiring) -> int:
    """How long a representative reading may stand for the boiler's water."""
    every = interval_ms(b.sampler, w.sample_rule)
    if w.sample_rule.arrangement in ("continuous", "side-stream"):
        return STALE_CONTINUOUS_MS
    return 24 * HOUR_MS if every is None else 2 * every + STALE_CONTINUOUS_MS


def _blow(c: Balance, i: int, r: BoilerRule, s: Senses, b: BoilerCell, before: Sequence[float]) -> None:
    """Note what stood before a blow that has just begun, and when readings came in one that goes on."""
    start, on = c.blows[i], b.blow.start_at >= 0
    if on and not start.on:
        start.kg = sum(before[m.index] for m in r.blown)
        start.open_ms, start.first_ms, start.last_ms = c.open_ms[i], -1, -1
    start.on = on
    if on and b.sampler.fresh:
        start.first_ms = s.t if start.first_ms < 0 else start.first_ms
        start.last_ms = s.t


def _masses(c: Balance, r: BalanceRules, s: Senses, out: Taken) -> None:
    """Put its mass on each blow that has ended."""
    at = {rule.plan.name: i for i, rule in enumerate(r.boilers)}
    for k, blow in enumerate(out.blows):
        i = at[blow.boiler]
        rule = r.boilers[i]
        kg, why = _mass(c, i, rule, s, blow)
        if kg is None:
            continue
        out.blows[k] = replace(blow, kg=kg, kg_by=rule.plan.blow_mass_by)
        _tell(c, Figure(rule.tag_blow, kg, why), out)


def _mass(c: Balance, i: int, r: BoilerRule, s: Senses, blow: Blow) -> tuple[float | None, int]:
    """kg blown down, None where it cannot be told; and the reason it carries."""
    start, by = c.blows[i], r.plan.blow_mass_by
    if not blow.complete or not by:
        return None, 0
    if by == "meter":
        return sum(c.kg[m.index] for m in r.blown) - start.kg, 0
    open_ms = c.open_ms[i] - start.open_ms
    if by == "opening":
        return r.opening_kg_h * open_ms / HOUR_MS, int(Reason.WRITTEN_FIGURE)
    feed, _ = feedwater_of(r, c.sums)
    steam = steam_kg_h(r, c.sums)
    hours = (start.last_ms - start.first_ms) / HOUR_MS
    if feed is None or steam is None or blow.sampled is None or blow.ended_at is None or hours <= 0:
        return None, 0
    if blow.sampled - blow.ended_at < SHORTEST_FALL * blow.sampled:
        return None, 0
    rate = blown(blow.sampled, blow.ended_at, feed, steam, r.water_kg, hours)
    return (None if rate is None else rate * open_ms / HOUR_MS), int(Reason.WRITTEN_FIGURE)
