"""What is known of the plant after a group: every signal's last value, every boiler's state, sample and blow.

`take` moves it all by one group. It mutates the `Senses` it is given (the engine hands it a clone) and returns the
verdicts, the new derived values and the finished blows. No I/O, no clock. May import: config, daemon.core.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from daemon.core.cells import Cell, cell
from daemon.core.outcome import Blow, Derived
from daemon.core.reasons import Reason
from daemon.core.scan import Group, Scan
from daemon.measure import (
    aside,
    balance,
    boiler_state,
    cutoff,
    cycling,
    metered,
    out_of_service,
    sampling,
    sense_probe,
    usual,
    valve_habits,
)
from daemon.measure import bleed as bleeds
from daemon.measure import blow as blows
from daemon.measure.balance import Balance, fresh_balance
from daemon.measure.bleed import Bleed, BleedRule
from daemon.measure.blow import BlowCell, HandBlow
from daemon.measure.boiler_state import STEAMING, StateCell
from daemon.measure.contact import Contact
from daemon.measure.correction import Correction
from daemon.measure.counter import Counter
from daemon.measure.cutoff import Cutoff, Signal
from daemon.measure.cycling import Cycles
from daemon.measure.daily import Calendar, Daily
from daemon.measure.looks import good_value as good_value
from daemon.measure.looks import role as role
from daemon.measure.looks import role_now as role_now
from daemon.measure.sampling import Sampler
from daemon.measure.tank_volume import LevelCell
from daemon.measure.usual import Usual
from daemon.measure.valve_habits import ValveHabits
from daemon.measure.watch import Watch
from daemon.measure.wiring import ANALOGUE, CONTACT, POSITION_BAND, BoilerWiring, Wiring

MINUTE_MS: Final = 60_000
REPEAT_MS: Final = 600_000  # states and totals are derived anew this often, so that any stretch of the log shows them
LONG_OFF_MS: Final = 24 * 3_600_000  # a boiler off that long starts afresh: low is armed anew


@cell
class ModuleCell(Cell):
    """How one module answers. `silent_ms`: elapsed time of the first of the misses in a row, -1 while it answers."""

    silent_ms: int = -1
    down_ms: int = -1  # the same for a link that is down
    answered_ms: int = -1
    reason: int = int(Reason.NOT_KNOWN_YET)


@cell
class BoilerCell(Cell):
    """One boiler. `valve`: 1 open, 0 shut, -1 not known; `valve_ms` elapsed since; `low_end_ms` see below."""

    state: StateCell
    sampler: Sampler
    blow: BlowCell
    valve: int = -1
    valve_ms: int = 0
    valve_at: int = 0
    reached_band: bool = False  # since fill or start: low is judged only then
    low_end_ms: int = -1  # since when the flowing sample's signal has rested at the bottom of its range
    ref: float | None = None  # representative reading when the valve last changed, in this run of steaming
    steamed_ms: int = 0  # steaming time since the last representative reading
    state_changed: bool = False
    valve_read: bool = False  # the valve can be read now
    correction: Correction = field(default_factory=Correction)
    last_run: float | None = None  # the last representative reading, in this run of steaming or one before
    steam_value_known: bool = False  # it is of this run
    watch: Watch = field(default_factory=Watch)
    hand: HandBlow = field(default_factory=HandBlow)
    habits: ValveHabits = field(default_factory=ValveHabits)
    cycles: Cycles = field(default_factory=Cycles)
    cutoff: Cutoff = field(default_factory=Cutoff)


@cell
class FactCell(Cell):
    """What the service last reported of itself under one kind of `FACTS`."""

    active: bool = False
    value: float | None = None
    limit: float | None = None
    evidence: str = ""
    once: bool = False  # an event, not a condition: it holds for one group


FACTS: Final = ("logger_disk", "logger_clock", "logger_mail", "logger_copy", "logger_store", "logger_gap")


@cell
class Senses(Cell):
    """The plant as sensed. Slots are numbered by `Wiring`. `at`: UTC ms of the last group, `real` its elapsed ms.

    `t` is watched time: elapsed ms without the gaps in which nobody looked (`unwatched`). Delays, ages of alarms and
    steaming time are differences of it, so that an outage of three hours is no three hours of anything. Only counters
    go by real time: what passed through a meter passed.
    """

    values: list[float | None]
    reasons: list[int]
    read_ms: list[int]
    contacts: list[Contact]
    contact_reasons: list[int]
    counters: list[Counter]
    counter_reasons: list[int]
    modules: list[ModuleCell]
    boilers: list[BoilerCell]
    facts: list[FactCell]
    balance: Balance
    calendar: Calendar
    days: list[Daily]  # of each meter
    bleeds: list[Bleed]  # of each blowdown meter that can tell
    tanks: list[LevelCell]
    usuals: list[Usual]  # of each feedwater that is measured
    t: int = -1
    results: tuple[tuple[Any, ...], ...] = ()  # of tests done by hand, see `manual`
    results_new: bool = False  # they have changed in this group
    outs: tuple[tuple[Any, ...], ...] = ()  # out of service, see `aside`
    words: tuple[tuple[Any, ...], ...] = ()  # what people said of the state of boilers
    hands: tuple[tuple[Any, ...], ...] = ()  # work by hand
    aside_new: bool = False  # one of the three has changed in this group
    at: int = 0
    real: int = -1
    unwatched: int = 0
    ended: int = -1  # the clock segment in which a run ended here with all it had read in the log, else -1
    day: bool = True  # the plant's day, in which what is for the day is told
    event: bool = True  # something happened in this group: a contact, a reason, a state, an answer that failed
    minute: bool = True  # the first group of a minute, or of a new result: what goes by the clock is judged


@dataclass(slots=True)
class Taken:
    """What one group gave: verdicts for each scan, new derived values, finished blows, contacts of cut-offs."""

    verdicts: list[tuple[int, ...]] = field(default_factory=list)
    derived: list[Derived] = field(default_factory=list)
    blows: list[Blow] = field(default_factory=list)
    cutoffs: list[tuple[str, str]] = field(default_factory=list)  # boiler, and what its cut-off's contact showed


def fresh_senses(w: Wiring) -> Senses:
    """Nothing known yet."""
    n_analogue, n_contact, n_counter = w.slots
    unknown = int(Reason.NOT_KNOWN_YET)
    return Senses(
        values=[None] * n_analogue,
        reasons=[unknown] * n_analogue,
        read_ms=[-1] * n_analogue,
        contacts=[Contact() for _ in range(n_contact)],
        contact_reasons=[unknown] * n_contact,
        counters=[Counter() for _ in range(n_counter)],
        counter_reasons=[unknown] * n_counter,
        modules=[ModuleCell() for _ in w.uses],
        boilers=[BoilerCell(StateCell(), Sampler(), BlowCell()) for _ in w.boilers],
        facts=[FactCell() for _ in FACTS],
        balance=fresh_balance(w.balance),
        calendar=Calendar(),
        days=[Daily() for _ in w.meters],
        bleeds=[Bleed() for _ in w.bleeds],
        tanks=[LevelCell() for _ in w.tanks],
        usuals=[Usual() for _ in w.waters],
    )


def take(s: Senses, w: Wiring, group: Group) -> Taken:
    """Move the senses by one group."""
    out = Taken()
    if s.real >= 0:  # watched time never goes back, however long the gap is said to be
        s.unwatched += min(group.gap_ms, group.elapsed_ms - s.real)
    else:
        s.unwatched += group.gap_ms
    s.real = group.elapsed_ms
    t, at = group.elapsed_ms - s.unwatched, group.at_ms
    dt = t - s.t if s.t >= 0 else 0
    repeat = s.t < 0 or t // REPEAT_MS != s.t // REPEAT_MS
    s.minute = s.results_new or s.t < 0 or at // MINUTE_MS != s.at // MINUTE_MS
    s.t, s.at = t, at
    # each run begins a segment before it asks anyone: the very next one read nothing that is not here
    if group.gap_ms > 0 and not (s.ended >= 0 and group.segment == s.ended + 1):
        for m in w.meters:
            if m.spec.clears:
                s.counters[m.slot].doubt_stored(s.real)
    s.ended = -1
    s.event = group.gap_ms > 0
    before = s.reasons[:], s.contact_reasons[:], s.counter_reasons[:]
    if s.minute:
        s.day = w.daytime.holds(at)
    verdicts = [_scan(s, w, scan, t, at) for scan in group.scans]
    polled = dict(zip([scan.module for scan in group.scans], verdicts, strict=True))
    if s.outs:
        out_of_service.tags(s, w, group, verdicts)
    valves = [valve_open(s, b, bw) for b, bw in zip(s.boilers, w.boilers, strict=True)]
    for i, (b, bw) in enumerate(zip(s.boilers, w.boilers, strict=True)):
        _boiler(s, b, bw, group, polled, dt, repeat, out, valves[i], _around(valves, bw))
    if s.outs:
        out_of_service.boilers(s, w, group, verdicts, out)
    out.verdicts = [tuple(v) for v in verdicts]
    _meters(s, w, polled, repeat, out)
    for rule, c in zip(w.bleeds, s.bleeds, strict=True):
        _bleed(s, w, rule, c, valves, group.gap_ms > 0)
    if s.minute:
        for water, u in zip(w.waters, s.usuals, strict=True):
            steams = any(s.boilers[i].state.state == STEAMING for i in water.boilers)
            usual.follow(u, good_value(s, water.slot) if steams else None)
    balance.follow(s, w, dt, group.gap_ms > 0, repeat, out)
    if not s.event:
        s.event = (s.reasons, s.contact_reasons, s.counter_reasons) != before
    return out


def _scan(s: Senses, w: Wiring, scan: Scan, t: int, at: int) -> list[int]:
    counts = scan.counts
    verdict = list(scan.faults)
    if _module(s.modules[scan.module], scan, t):
        s.event = True
    values, reasons, read_ms = s.values, s.reasons, s.read_ms
    for channel, kind, slot, line, debounce, spec in w.uses[scan.module]:
        count = counts[channel]
        if kind == ANALOGUE:
            read_ms[slot] = t
            if count is None:
                values[slot], reasons[slot] = None, verdict[channel]
                continue
            assert line is not None
            why = 0 if line.good_min <= count <= line.good_max else line.reason(count)
            reasons[slot] = why
            values[slot] = None if why in (40, 41) else line.low + (count - line.zero) * line.gain
            if why:
                verdict[channel] = why
        elif kind == CONTACT:
            s.contact_reasons[slot] = verdict[channel]
            contact = s.contacts[slot]
            if count == contact.on and not contact.turning:
                continue
            if count is not None and contact.step(int(count), t, at, debounce):
                s.event = True
        else:
            assert spec is not None
            counter = s.counters[slot]
            if count is not None and spec.changes:
                counter.turn(spec, at)
            if spec.clears:
                why = counter.add(count, verdict[channel], s.real, counter.now(spec))
                s.counter_reasons[slot] = why
                if why and count is not None:
                    verdict[channel] = int(why)
            elif count is None:
                s.counter_reasons[slot], counter.missed = verdict[channel], True
            else:
                why = s.counter_reasons[slot] = counter.step(count, s.real, counter.now(spec))
                if why:
                    verdict[channel] = int(why)
    return verdict


def _module(m: ModuleCell, scan: Scan, t: int) -> bool:
    """Take a module's answer; True unless it answers as it did."""
    faults = scan.faults
    first = faults[0] if faults else 0
    if first == Reason.STOPPING:
        return True
    if first == Reason.LINK_DOWN and m.down_ms < 0:
        m.down_ms = t
    if first and all(faults):  # not one usable channel
        if m.silent_ms < 0:
            m.silent_ms = t
        if first != Reason.NOT_POLLED:
            m.reason = first
            if first != Reason.LINK_DOWN:
                m.down_ms = -1
        return True
    news = m.silent_ms >= 0 or m.answered_ms < 0 or m.reason != first
    m.silent_ms = m.down_ms = -1
    m.answered_ms, m.reason = t, first
    return news


def valve_open(s: Senses, b: BoilerCell, w: BoilerWiring) -> bool | None:
    """Is the surface blowdown valve open now, by the first of its signals that is wired? None: not known."""
    for r, means in ((w.command, True), (w.open_switch, True), (w.shut_switch, False)):
        if r.slot >= 0:
            on = role_now(s, r)
            return None if on is None else on is means
    position = good_value(s, w.position if w.position >= 0 else w.demand)
    return None if position is None else position > w.position_open - (POSITION_BAND if b.valve == 1 else 0.0)


def _boiler(
    s: Senses,
    b: BoilerCell,
    w: BoilerWiring,
    group: Group,
    polled: dict[int, list[int]],
    dt: int,
    repeat: bool,
    out: Taken,
    opened: bool | None,
    around: sense_probe.Around,
) -> None:
    t, at = s.t, s.at
    was = b.state.state
    idle_since = b.state.since_ms
    said = aside.said_of(s.words, w.name) if s.words else None
    if said is not None:
        b.state_changed = boiler_state.spoken(b.state, aside.SPOKEN[said.what], t, at)
    else:
        b.state_changed = boiler_state.decide(
            b.state, w.state_rule, role_now(s, w.running), good_value(s, w.steam_pressure), t, at
        )
        b.state_changed |= b.state.state != was
    if s.hands and aside.blown_by_hand(s.hands, w.name):
        b.ref = None  # what falls meanwhile says nothing of the valve
    steaming = b.state.state == STEAMING
    if b.state_changed or repeat:
        out.derived.append(Derived(w.tag_state, float(b.state.state), 0))
    if b.state_changed and (
        was == boiler_state.DRAINED
        or (was in (boiler_state.OFF, boiler_state.LAID_UP) and t - idle_since >= LONG_OFF_MS)
    ):
        b.reached_band = False
    if b.state_changed or b.valve_read is not (opened is not None):
        s.event = True
    b.valve_read = opened is not None
    if opened is not None and int(opened) != b.valve:
        b.valve, b.valve_ms, b.valve_at = int(opened), t, at
        s.event = True
        b.ref = b.sampler.value if b.sampler.this_run else None
        repeat = True
    if repeat and w.tag_valve >= 0 and b.valve >= 0:
        out.derived.append(Derived(w.tag_valve, float(b.valve), 0))
    if group.gap_ms > 0:
        sampling.unwatched(b.sampler, t)
    if w.probe >= 0:
        sense_probe.follow(s, b, w, polled.get(w.probe_at[0]), opened, around, steaming, dt, out)
    done = blows.follow(b.blow, w.name, opened, w.joins_ms, w.poll_ms, t, at, group.gap_ms > 0, around.line_open)
    if done is not None:
        out.blows.append(done)
        valve_habits.blown(b.habits, done)
    if w.cycles.slot >= 0:
        cycling.follow(b.cycles, s.contacts[w.cycles.slot], w.cycles.when)
    if w.low_water.slot >= 0:
        _cutoff(s, b, w, group.gap_ms > 0, out)
    if w.command.slot >= 0:
        valve_habits.follow(b.habits, s, b, w, steaming)
    by_hand = blows.told(b.hand, w.name, b.sampler.value if b.sampler.fresh else None, at)
    if by_hand is not None:
        out.blows.append(by_hand)


def _cutoff(s: Senses, b: BoilerCell, w: BoilerWiring, gap: bool, out: Taken) -> None:
    """What the low-water cut-off shows; time alone can end what is taken as a test, and is an event then."""
    low, c = s.contacts[w.low_water.slot], b.cutoff
    if c.on_ms < 0 and low.on != w.low_water.when and c.since_at:
        return
    was = c.held, c.failed
    fire = None
    if w.fire.slot >= 0:
        fire = Signal(s.contacts[w.fire.slot], w.fire.when, not s.contact_reasons[w.fire.slot])
    seen = Signal(low, w.low_water.when, not s.contact_reasons[w.low_water.slot])
    if text := cutoff.follow(c, w.cutoff, seen, fire, s.t, s.at, gap):
        out.cutoffs.append((w.name, text))
    s.event |= (c.held, c.failed) != was


def _around(valves: list[bool | None], w: BoilerWiring) -> sense_probe.Around:
    """What the neighbours' valves do that matters to this boiler's probe and blow line."""
    if not (w.neighbours or w.same_line):
        return sense_probe.ALONE
    return sense_probe.Around(
        any(valves[i] is not False for i in w.neighbours), any(valves[i] is True for i in w.same_line)
    )


def _meters(s: Senses, w: Wiring, polled: dict[int, list[int]], repeat: bool, out: Taken) -> None:
    s.calendar.turn(s.at, w.zone)
    now = s.real, s.at
    for m, day in zip(w.meters, s.days, strict=True):
        if m.module in polled:
            why = s.counter_reasons[m.slot]
            metered.follow(m, s.counters[m.slot], why, day, s.calendar, now, repeat, w.zone, out.derived)
    for t, level in zip(w.tanks, s.tanks, strict=True):
        if t.module in polled and (told := level.follow(s.values[t.slot], s.reasons[t.slot], t.spec, repeat)):
            out.derived.append(Derived(t.tag, *told))


def _not_shut(s: Senses, w: BoilerWiring) -> bool:
    """Whether an end switch says that the valve is not shut."""
    return w.shut_switch.slot >= 0 and role_now(s, w.shut_switch) is False


def _bleed(s: Senses, w: Wiring, rule: BleedRule, c: Bleed, valves: list[bool | None], gap: bool) -> None:
    """What a blowdown meter passes while nothing blows into it."""
    shut = not gap
    for i in rule.boilers if shut else ():
        if (
            valves[i] is not False
            or s.boilers[i].state.state != STEAMING
            or _not_shut(s, w.boilers[i])
            or (s.hands and aside.blown_by_hand(s.hands, w.boilers[i].name))
        ):
            shut = False
    if not shut:
        bleeds.follow(c, False, s.t, None, 0.0)
        return
    m = w.meters[rule.meter]
    counter = s.counters[m.slot]
    read = counter.last >= 0 and counter.last_elapsed_ms == s.real
    now = counter.now(m.spec)
    bleeds.follow(c, shut, s.t, counter.mass(m.spec) if read else None, now.pulse_m3 * (now.density or 0.0))
