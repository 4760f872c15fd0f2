"""A state carried over to a changed plant file. Pure.

The same identity keeps its alarm and is judged by the new limit at the next group. An alarm that is gone is
journalled as removed. A signal whose channel, range or arrangement changed starts its filters anew; its standing
alarms stay. A meter keeps its count of pulses while its name stays.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from config.model import Plant
from daemon.alarms.condition import AlarmCell
from daemon.core.outcome import Entry, Standing
from daemon.engine.state import Cells, Programme, State, programme
from daemon.measure.balance import carried
from daemon.measure.bleed import Bleed, BleedRule
from daemon.measure.calibration import same_probe
from daemon.measure.correction import Correction
from daemon.measure.counter import Counter
from daemon.measure.meter_spec import MeterSpec
from daemon.measure.senses import BoilerCell, Senses, fresh_senses
from daemon.measure.wiring import ANALOGUE, CONTACT, BoilerWiring, Wiring

HABITS: Final = ("valve_open_switch", "valve_shut_switch", "probe_temperature")
"""Tags beside the command that a valve's habits are learned from."""
CYCLES: Final = ("burner", "interlock")


def carry(state: State, new: Plant, version: int, at_ms: int) -> tuple[State, tuple[Entry, ...], tuple[Standing, ...]]:
    """The state under a new plant; what to journal, and the standing rows of alarms that are gone."""
    p = programme(new)
    old = state.programme
    known = dict(zip((a.identity for a in old.alarms), state.cells.alarms, strict=True))
    senses = _senses(state.cells.senses, old.wiring, p.wiring)
    cells = Cells(senses, [], state.cells.next_occurrence, state.cells.number)
    cells.shelved = state.cells.shelved
    cells.alarms = [known[a.identity].clone() if a.identity in known else AlarmCell() for a in p.alarms]
    kept = {a.identity for a in p.alarms}
    gone: list[Entry] = []
    rows: list[Standing] = []
    for a in old.alarms:
        c = known[a.identity]
        if a.identity in kept or c.state == "normal" or (c.state == "suppressed by design" and not c.held):
            continue
        gone.append(
            Entry(
                at_ms,
                c.occurrence,
                a.target,
                a.kind,
                a.name,
                "removed",
                "normal",
                a.priority,
                c.value,
                c.limit,
                a.unit,
                "the plant file no longer has it",
            )
        )
        rows.append(
            Standing(
                a.target, a.kind, a.name, "normal", c.occurrence, a.priority, c.raised_at, None, None, a.unit, "", ""
            )
        )
    gone += _corrections_ended(state, p, senses, at_ms)
    return State(p, version, cells), tuple(gone), tuple(rows)


def _corrections_ended(old: State, new: Programme, senses: Senses, at_ms: int) -> Iterator[Entry]:
    """A correction in the log belongs to a channel, a range and a compensation: where one changed it ends."""
    plants = old.programme.plant, new.plant
    for b, w in zip(senses.boilers, new.wiring.boilers, strict=True):
        c = b.correction
        if not c.records or same_probe(*plants, w.name):
            continue
        b.correction = Correction(break_ms=senses.real, break_at_ms=at_ms)
        text = "channel, range or compensation of the probe changed in the plant file: its calibrations begin anew"
        if c.act:
            text += f", and the correction of act {c.act} (gain {c.gain:.4g}) no longer applies"
        yield Entry(at_ms, 0, w.name, "calibration", "", "note", "", "", evidence=text)


def _senses(old: Senses, was: Wiring, now: Wiring) -> Senses:
    s = fresh_senses(now)
    s.t, s.at, s.real, s.unwatched = old.t, old.at, old.real, old.unwatched
    s.ended = old.ended
    old_slot = {t.name: (t, was.tag_slots[i]) for i, t in enumerate(was.tags)}
    worth_was, worth_now = ({m.name: m.spec for m in w.meters} for w in (was, now))
    for i, tag in enumerate(now.tags):
        kind, slot = now.tag_slots[i]
        before = old_slot.get(tag.name)
        if before is None or before[1][0] != kind or kind < 0:
            continue
        same = before[0].ref == tag.ref and before[0].span == tag.span and before[0].range == tag.range
        k = before[1][1]
        if kind == ANALOGUE and same:
            s.values[slot], s.reasons[slot], s.read_ms[slot] = old.values[k], old.reasons[k], old.read_ms[k]
        elif kind == CONTACT and same and before[0].closed_means == tag.closed_means:
            s.contacts[slot], s.contact_reasons[slot] = old.contacts[k].clone(), old.contact_reasons[k]
        elif kind not in (ANALOGUE, CONTACT):
            s.counters[slot] = old.counters[k].clone()
            if not same or worth_was[tag.target].clears != worth_now[tag.target].clears:
                s.counters[slot].last = -1
            s.counter_reasons[slot] = old.counter_reasons[k]
            _new_worth(s.counters[slot], worth_was[tag.target], worth_now[tag.target], s.at)
    modules = dict(zip(was.module_names, old.modules, strict=True))
    s.modules = [modules[n].clone() if n in modules else m for n, m in zip(now.module_names, s.modules, strict=True)]
    boilers = {w.name: (w, b) for w, b in zip(was.boilers, old.boilers, strict=True)}
    for i, w in enumerate(now.boilers):
        if w.name in boilers:
            s.boilers[i] = _boiler(s.boilers[i], *boilers[w.name], w, _same(was, now, w.name))
    days = dict(zip((m.name for m in was.meters), old.days, strict=True))
    s.days = [days[m.name].clone() if m.name in days else d for m, d in zip(now.meters, s.days, strict=True)]
    s.bleeds = _bleeds(s.bleeds, old.bleeds, was, now)
    usuals = {r.name: u for r, u in zip(was.waters, old.usuals, strict=True)}
    s.usuals = [
        usuals[r.name].clone() if r.name in usuals and s.read_ms[r.slot] >= 0 else u  # read: it is the same signal
        for r, u in zip(now.waters, s.usuals, strict=True)
    ]
    if was.zone == now.zone:
        s.calendar = old.calendar.clone()
    s.facts = [f.clone() for f in old.facts]
    s.results = old.results
    boilers_now = {w.name for w in now.boilers}
    s.words = tuple(row for row in old.words if row[0] in boilers_now)
    s.hands = tuple(row for row in old.hands if row[0] in boilers_now or not row[0])
    s.outs, s.aside_new = old.outs, True  # what is gone comes to its end by the clock
    s.balance = carried(old.balance, was.balance, now.balance)
    return s


def _bleeds(fresh: list[Bleed], old: list[Bleed], was: Wiring, now: Wiring) -> list[Bleed]:
    """What a meter passes with the valves shut stays known while the meter serves the same boilers."""
    known = {_serves(was, r): c for r, c in zip(was.bleeds, old, strict=True)}
    return [
        known[_serves(now, r)].clone() if _serves(now, r) in known else c
        for r, c in zip(now.bleeds, fresh, strict=True)
    ]


def _serves(w: Wiring, rule: BleedRule) -> tuple[str, ...]:
    return (w.meters[rule.meter].name, *(w.boilers[i].name for i in rule.boilers))


def _new_worth(counter: Counter, was: MeterSpec, now: MeterSpec, at_ms: int) -> None:
    """A pulse that is worth something else from here on does not change what passed before."""
    counter.turn(was, at_ms)
    era = sum(c.from_ms <= at_ms for c in now.changes)
    before, after = counter.now(was), now.changes[era - 1].spec if era else now
    if (before.pulse_m3, before.density) != (after.pulse_m3, after.density):
        counter.rebase(was, era)
    counter.era = era


def _same(was: Wiring, now: Wiring, boiler: str) -> Callable[[str], bool]:
    """Whether a tag of a boiler, by its name without the boiler's, is the same signal under both plants."""
    before, after = (
        {t.name: (t.ref, t.span, t.range, t.closed_means) for t in w.tags if t.target == boiler} for w in (was, now)
    )
    return lambda key: before.get(f"{boiler}.{key}") == after.get(f"{boiler}.{key}")


def _boiler(
    fresh: BoilerCell, was: BoilerWiring, old: BoilerCell, now: BoilerWiring, same: Callable[[str], bool]
) -> BoilerCell:
    """`same`: whether a tag of the boiler is read and means as before, wherever its slot is now."""
    kept = old.clone()
    signal = ("probe_line", "sample_rule", "compensation", "valve_travel_ms", "watch_rule")
    if any(getattr(was, k) != getattr(now, k) for k in signal) or not (same("valve_command") and same("probe")):
        kept.sampler, kept.low_end_ms, kept.ref, kept.watch = fresh.sampler, -1, None, fresh.watch
        kept.habits = fresh.habits
    if not all(map(same, HABITS)):
        kept.habits = fresh.habits
    if not all(map(same, CYCLES)):
        kept.cycles = fresh.cycles
    return kept
