"""The plant as people see it at one moment: for the live table, `status` and programs that ask. Pure.

May import: config, daemon.core, daemon.measure, daemon.alarms, daemon.engine.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from math import inf
from typing import Any

from config.model import Plant
from daemon.acquire.parts import ModuleStats
from daemon.alarms.kinds import KINDS
from daemon.alarms.table import MEANING
from daemon.alarms.table import State as Life
from daemon.app.due import DueView, due_views
from daemon.core.reasons import Quality, Reason, quality, words
from daemon.core.tags import PACING, STATES, derived_tags
from daemon.engine import State
from daemon.measure import liveness
from daemon.measure.aside import BLOW_BY_HAND, every
from daemon.measure.bleed import normal
from daemon.measure.calibration import figures, kept
from daemon.measure.senses import BoilerCell, Senses, role_now
from daemon.measure.wiring import BoilerWiring, MeterWiring, Wiring


@dataclass(frozen=True, slots=True)
class BoilerView:
    """One boiler. Conductivity in uS/cm; `age_s` of the representative reading, None when there is none."""

    name: str
    state: str
    conductivity: float | None
    quality: str
    reason: str
    age_s: float | None
    probe: float | None
    probe_reason: str
    valve: str  # open, shut, not known, not wired
    valve_for_s: float | None
    interlock: str  # closed, open, not known, not wired
    set_point: float | None
    high: float | None
    neutralised: bool = False  # conductivity stands for neutralised water
    solids: float | None = None  # of the representative reading, in solids_unit
    solids_unit: str = ""
    solids_source: str = ""  # where the factor comes from
    correction: str = ""  # the correction in the log that is in force, in words
    signal: str = ""  # live or held, stated or learned from what, in words; "" without a probe
    cut_short: int = 0  # openings too short for a sample, since the last reading
    unsettled: int = 0  # openings that ended while the sample still moved, since the last settled one
    cutoff: str = ""  # what was last seen at the low water contact where cut-off tests are declared or asked for
    cutoff_ms: int = 0  # when, UTC
    calibrated_ms: int = 0  # UTC of the last calibration, at the wall or in the log; 0: none on record


@dataclass(frozen=True, slots=True)
class MeterView:
    """One meter: total in m3 since the log began, flow in m3/h with its bounds or None, days in m3.

    `today`: since the plant's midnight, `yesterday`: the day before, each None while nothing is known of it. `refused`:
    pulses not counted. The dial as last read, and when (ms UTC, -1 for never).
    """

    name: str
    measures: str
    total: float
    rate: float | None
    reason: str
    rate_low: float | None = None
    rate_high: float | None = None
    rate_reason: str = ""
    today: float | None = None
    today_reason: str = ""
    yesterday: float | None = None
    yesterday_reason: str = ""
    refused: int = 0
    dial: float | None = None
    dial_ms: int = -1
    bleed: float | None = None  # kg/h that pass with the valves shut, learned as normal
    bleed_now: float = 0.0  # kg/h in the last four hours of shut valves
    bleed_stated: float | None = None  # kg/h as the plant file says


@dataclass(frozen=True, slots=True)
class TankView:
    """One tank: what it holds in m3, None while that is not known, of how much when full."""

    name: str
    volume: float | None
    full: float
    reason: str


@dataclass(frozen=True, slots=True)
class FigureView:
    """One derived figure: its value in `unit` (base units), or its `word`; None and "" where there is none."""

    name: str
    target: str
    label: str
    about: str
    value: float | None
    word: str
    unit: str
    quality: str
    reason: str


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm that is not normal."""

    occurrence: int
    target: str
    kind: str
    title: str
    state: str
    meaning: str
    priority: str
    since_ms: int
    value: float | None
    limit: float | None
    unit: str
    evidence: str
    by: str


@dataclass(frozen=True, slots=True)
class ModuleView:
    """One module: does it answer now, and what the last poll said when not."""

    name: str
    answers: bool
    detail: str


@dataclass(frozen=True, slots=True)
class SaidView:
    """What a person said that holds for a time. `what`: out of service, drained, technician on site, put aside ..."""

    target: str
    what: str
    until_ms: int
    by: str
    why: str


@dataclass(frozen=True, slots=True)
class View:
    """All of it. `at_ms`: plant time of the last group, 0 when there is none; `trouble`: why nothing is stored now."""

    plant: str
    units: str
    zone: str
    at_ms: int
    now_ms: int
    speed: float
    boilers: tuple[BoilerView, ...]
    meters: tuple[MeterView, ...]
    alarms: tuple[AlarmView, ...]
    modules: tuple[ModuleView, ...]
    trouble: str = ""
    figures: tuple[FigureView, ...] = ()
    tanks: tuple[TankView, ...] = ()
    tests: tuple[DueView, ...] = ()
    said: tuple[SaidView, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain lists and dicts."""
        return asdict(self)


_AS_SAID = {BLOW_BY_HAND: "blown by hand: explains falling conductivity"}  # until some time after the blow


def view_of(
    plant: Plant,
    state: State | None,
    *,
    now_ms: int,
    speed: float = 1.0,
    modules: Mapping[str, ModuleStats] | None = None,
    trouble: str = "",
) -> View:
    """The view of a state; `modules` adds what the poller knows of each module."""
    site = plant.plant
    if state is None:
        return View(site.name, site.units, site.zone, 0, now_ms, speed, (), (), (), (), trouble)
    s, w = state.cells.senses, state.programme.wiring
    return View(
        plant=site.name,
        units=site.units,
        zone=site.zone,
        at_ms=s.at,
        now_ms=now_ms,
        speed=speed,
        boilers=tuple(_boiler(s, i, b) for i, b in enumerate(w.boilers)),
        meters=tuple(_meter(plant, s, w, m, i) for i, m in enumerate(w.meters)),
        alarms=tuple(_alarms(state)),
        modules=tuple(
            ModuleView(
                name,
                s.modules[i].silent_ms < 0 and s.modules[i].answered_ms >= 0,
                (modules[name].detail if modules and name in modules else "")
                or ("" if s.modules[i].silent_ms < 0 else words(s.modules[i].reason)),
            )
            for i, name in enumerate(w.module_names)
        ),
        trouble=trouble,
        figures=tuple(_figures(plant, s)),
        tanks=tuple(
            TankView(t.name, None if quality(max(c.reason, 0)) is Quality.BAD else c.m3, t.spec.volume, words(c.reason))
            for t, c in zip(w.tanks, s.tanks, strict=True)
            if c.reason >= 0
        ),
        tests=tuple(due_views(plant, state)),
        said=tuple(_said(state)),
    )


def _said(state: State) -> Iterator[SaidView]:
    s = state.cells.senses
    for o in every((*s.outs, *s.words, *s.hands)):
        yield SaidView(o.target, _AS_SAID.get(o.what, o.what) or "out of service", o.until_at, o.by, o.why)
    for target, kind, name, until, by, why, _ in state.cells.shelved:
        title = KINDS[kind].title if kind in KINDS else kind
        yield SaidView(target, f"{title}{f' ({name})' if name else ''} put aside", until, by, why)


def _figures(plant: Plant, s: Senses) -> Iterator[FigureView]:
    """Figures as last told; one that was never told is left out."""
    b = s.balance
    for i, t in enumerate(derived_tags(plant)):
        why = b.reasons[i]
        if not t.figure or (why == Reason.NOT_KNOWN_YET and t.what == "event"):
            continue
        none = quality(why) is Quality.BAD
        word = PACING[int(b.values[i])] if t.what == "pacing" and not none else ""
        value = None if none or word else b.values[i]
        yield FigureView(t.name, t.target, t.label, t.about, value, word, t.unit, quality(why).value, words(why))


def _meter(plant: Plant, s: Senses, w: Wiring, m: MeterWiring, i: int) -> MeterView:
    c, day = s.counters[m.slot], s.days[i]
    flow = c.pace.flow(c.last_elapsed_ms, c.now(m.spec))
    today, why = day.today(c, m.spec)
    now = day.day >= 0 and day.day == s.calendar.day
    return MeterView(
        name=m.name,
        measures=plant.meters[i].measures,
        total=c.volume(m.spec),
        rate=None if flow is None else flow.rate,
        reason=words(s.counter_reasons[m.slot]),
        rate_low=None if flow is None else flow.low,
        rate_high=None if flow is None or flow.high == inf else flow.high,
        rate_reason="" if flow is None else words(flow.reason),
        today=today if now else None,
        today_reason=words(why),
        yesterday=day.yesterday if now else None,
        yesterday_reason=words(day.yesterday_reason),
        refused=c.refused,
        dial=c.dial_m3 if c.dial_ms >= 0 else None,
        dial_ms=c.dial_ms,
        **_bleed(s, w, i),
    )


def _bleed(s: Senses, w: Wiring, i: int) -> dict[str, Any]:
    for rule, c in zip(w.bleeds, s.bleeds, strict=True):
        if rule.meter == i:
            return {"bleed": normal(c), "bleed_now": c.last, "bleed_stated": rule.stated}
    return {}


def _boiler(s: Senses, i: int, w: BoilerWiring) -> BoilerView:
    b = s.boilers[i]
    smp = b.sampler
    age = None if smp.value is None else s.at - smp.at_ms
    running = role_now(s, w.running)
    return BoilerView(
        name=w.name,
        state=STATES[b.state.state],
        conductivity=smp.value,
        quality=quality(smp.reason).value,
        reason=words(smp.reason),
        age_s=None if age is None else age / 1000,
        probe=s.values[w.probe] if w.probe >= 0 else None,
        probe_reason=words(s.reasons[w.probe]) if w.probe >= 0 else "not wired",
        valve="not wired" if w.tag_valve < 0 else {1: "open", 0: "shut"}.get(b.valve, "not known"),
        valve_for_s=(s.t - b.valve_ms) / 1000 if b.valve >= 0 else None,
        interlock="not wired" if w.running.slot < 0 else {True: "closed", False: "open", None: "not known"}[running],
        set_point=w.set_point,
        high=w.limits.high,
        signal=_signal(b, w),
        cut_short=smp.cut_short,
        unsettled=smp.unsettled,
        neutralised=w.neutralised,
        solids=None if smp.value is None or w.solids is None else smp.value * w.solids_factor,
        solids_unit=w.solids.unit if w.solids else "",
        solids_source=f"{w.solids.factor:.3g} × conductivity; {w.solids.source}" if w.solids else "",
        correction=f"{figures(b.correction)}, act {b.correction.act}" if b.correction.act else "",
        cutoff=b.cutoff.last if w.cutoff.told else "",
        cutoff_ms=b.cutoff.last_at if w.cutoff.told else 0,
        calibrated_ms=max((r.at_ms for r in kept(b.correction) if r.how in ("log", "wall")), default=0),
    )


def _signal(b: BoilerCell, w: BoilerWiring) -> str:
    if w.probe < 0:
        return ""
    rule = w.sample_rule
    learnable = rule.valve_known and rule.arrangement in ("timed", "hold")
    return liveness.says(b.watch.live, rule.said, b.sampler.held, learnable)


def _alarms(state: State) -> list[AlarmView]:
    out = []
    for a, c in zip(state.programme.alarms, state.cells.alarms, strict=True):
        life = Life(c.state)
        if life is Life.NORMAL or (life in (Life.SUPPRESSED, Life.OUT_OF_SERVICE) and not c.held):
            continue
        out.append(
            AlarmView(
                c.occurrence,
                a.target,
                a.kind,
                KINDS[a.kind].title,
                c.state,
                MEANING[life],
                a.priority,
                c.raised_at,
                c.value,
                c.limit,
                a.unit,
                c.evidence,
                c.by,
            )
        )
    order = ("highest", "high", "medium", "low")
    return sorted(out, key=lambda v: (order.index(v.priority), v.since_ms))
