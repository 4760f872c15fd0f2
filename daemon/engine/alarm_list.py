"""Every alarm a plant can have, from its plant file: identity, condition, figures. Pure.

May import: config, daemon.core, daemon.measure, daemon.alarms. A new kind of alarm is a row in
`daemon.alarms.kinds`, a condition, and a line here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from config.kinds import WATCHED
from config.limits import analogue_limits
from config.model import AlarmSetting, Plant, Watched
from daemon.alarms.by_hand import SAFETY_DEVICES, OutOfRange, Overdue, SafetyTestFailed
from daemon.alarms.calibration import CalibrationDue
from daemon.alarms.condition import Alarm, Condition
from daemon.alarms.conductivity import PATIENCE_MS, AnalogueLimit, Limit, LoopFault, NoSample, ProbeOpen
from daemon.alarms.contacts import SAME_CAUSE_MS, ContactSays, InterlockOpen, ShortCycling
from daemon.alarms.cutoff import BurnerFiresOn, LowWater, TestNotSeen
from daemon.alarms.feedwater import QualityChanged
from daemon.alarms.house import (
    EMPTY,
    LEVEL_DEADBAND,
    WINDOW_MS,
    NotAsPaced,
    Overrun,
    RunsWhileOff,
    TankLevel,
    overrun,
)
from daemon.alarms.idle import IDLE_MS, BlowdownWhileOff, ControllerIdle, FeedWhileOff
from daemon.alarms.kinds import KINDS
from daemon.alarms.moving import RateLimit
from daemon.alarms.service import LinkDown, ModuleSilent, Reported
from daemon.alarms.signal import Fouling, Stepped, Verdict
from daemon.alarms.valve import OverTime, StuckOpen, StuckShut
from daemon.alarms.valve_wear import LeakByHeat, LeakByMeter, SlowValve, SwitchesDisagree
from daemon.alarms.withheld import HAND_BLOW
from daemon.core.reasons import Reason
from daemon.measure.current_loop import Line
from daemon.measure.senses import FACTS
from daemon.measure.wiring import BoilerWiring, Role, Wiring

CONDUCTIVITY_DEADBAND = 0.02  # of the limit (AL-042: 2 to 5 %, judgement by analogy; common practice)
LOGGER = "logger"
STARTS_MOST, STARTS_MS = 6, 3_600_000  # of a burner (common practice, no source)
OPENINGS_MOST, OPENINGS_MS = 3, 8 * 3_600_000  # of a limit circuit (common practice, no source)

_Row = tuple[str, str, str, Condition, int, int]
"""Target, kind, name, condition, boiler (-1: none), least on-delay in ms (-1: the condition has its own patience)."""


def alarms_of(plant: Plant, w: Wiring) -> tuple[Alarm, ...]:
    """The plant's alarms, in plant-file order."""
    out = []
    for target, kind, name, condition, boiler, least_ms in _rows(plant, w):
        setting = plant.alarms.get(kind, AlarmSetting())
        k = KINDS[kind]
        if not setting.enabled and not k.never_hidden:
            continue
        on_ms = max(round(k.on_delay_s * 1000), least_ms) if least_ms >= 0 else 0
        if setting.on_delay is not None and least_ms >= 0:
            on_ms = round(setting.on_delay * 1000)
        off_ms = round((k.off_delay_s if setting.off_delay is None else setting.off_delay) * 1000)
        out.append(
            Alarm(
                target=target,
                kind=kind,
                name=name,
                condition=condition,
                on_delay_ms=on_ms,
                off_delay_ms=off_ms if least_ms >= 0 else 0,
                priority=setting.priority or k.priority,
                unit=condition.unit if isinstance(condition, (AnalogueLimit, OutOfRange, RateLimit)) else k.unit,
                boiler=boiler,
                suppressed_when_off=k.suppressed_when_off and boiler >= 0 and not k.never_hidden,
                never_hidden=k.never_hidden,
                mails=k.mails,
                latching=k.latches if setting.latching is None else setting.latching,
                shelving=setting.shelving,
                mails_after_ms=_hand_blow_ms(plant, kind, boiler),
            )
        )
    return tuple(out)


def _hand_blow_ms(plant: Plant, kind: str, boiler: int) -> int:
    """How long what a blow by hand may be may stand before it is mailed; 0: mailed at once."""
    if boiler < 0 or kind not in HAND_BLOW:
        return 0
    return round((plant.boilers[boiler].hand_blow or 0.0) * 1000)


def _rows(plant: Plant, w: Wiring) -> Iterator[_Row]:
    for i, b in enumerate(w.boilers):
        yield from _boiler_rows(plant, i, b)
        probe = plant.boilers[i].conductivity
        if probe is not None and probe.calibrate_every is not None:
            yield b.name, "calibration_due", "", CalibrationDue(i, probe.calibrate_every), i, 0
    yield from _shared_rows(plant, w)
    slots = {t.name: w.tag_slots[k][1] for k, t in enumerate(w.tags)}
    unit_of = {t.name: t.unit for t in w.tags}
    for a in plant.analogues:
        yield from _watched(plant, a, (a.name, ""), slots[a.name], unit_of[a.name], -1)
    for i, boiler in enumerate(plant.boilers):
        for key in WATCHED:
            signal: Watched | None = getattr(boiler, key)
            if signal is not None:  # a water level is judged at any time
                steams = -1 if key == "water_level" else i
                tag = f"{boiler.name}.{key}"
                yield from _watched(plant, signal, (boiler.name, key), slots[tag], unit_of[tag], steams)
    boiler_of = {b.name: i for i, b in enumerate(w.boilers)}
    for rule in plant.tests:
        if rule.low is not None or rule.high is not None:
            yield rule.target, "test_out_of_range", rule.what, OutOfRange(rule), -1, 0
        if rule.every is not None:
            yield rule.target, "test_overdue", rule.what, Overdue(rule, boiler_of.get(rule.target, -1)), -1, 0
    for name in boiler_of:
        for what in SAFETY_DEVICES:
            yield name, "safety_test_failed", what, SafetyTestFailed(name, what), -1, 0
    for m, name in enumerate(w.module_names):
        yield name, "module_silent", "", ModuleSilent(m), -1, 3 * w.module_every_ms[m]
    for n, link in enumerate(w.links):
        on_it = tuple(m for m, x in enumerate(w.module_link) if x == n)
        if on_it:
            yield link, "link_down", "", LinkDown(on_it), -1, 0
    for f, kind in enumerate(FACTS):
        yield LOGGER, kind, "", Reported(f), -1, -1


def _watched(plant: Plant, a: Watched, who: tuple[str, str], slot: int, unit: str, steams: int) -> Iterator[_Row]:
    """Limits of a signal of its own. `steams`: the boiler without whose steam a low reading is none."""
    limits, delay = analogue_limits(a, plant.plant.altitude), round(a.delay * 1000)
    if limits.high is not None:
        yield who[0], "analogue_high", who[1], AnalogueLimit(slot, unit, limits.high, True, limits.deadband), -1, delay
    if limits.low is not None:
        condition = AnalogueLimit(slot, unit, limits.low, False, limits.deadband, steams)
        yield who[0], "analogue_low", who[1], condition, -1, delay
    if a.rate is not None:
        rate = RateLimit(slot, f"{a.range.unit} an hour".lstrip(), a.rate, round(a.rate_over * 1000), limits.factor)
        yield who[0], "analogue_rate", who[1], rate, -1, delay


def _boiler_rows(plant: Plant, i: int, b: BoilerWiring) -> Iterator[_Row]:
    if b.low_water.slot >= 0:
        yield b.name, "low_water", "", LowWater(i, b, b.low_water, "the low water contact is on", True), i, 0
        if b.cutoff.burner:
            yield b.name, "cutoff_test_failed", "", BurnerFiresOn(i, b), i, 0
            if b.cutoff.every_ms:
                yield b.name, "cutoff_test_not_seen", "", TestNotSeen(i, b), i, 0
    if b.high_water.slot >= 0:
        yield b.name, "high_water", "", ContactSays(i, b, b.high_water, "the high water contact is on", True), i, 0
    if b.lockout.slot >= 0:
        yield b.name, "lockout", "", ContactSays(i, b, b.lockout, "the lockout contact is on"), i, 0
    if b.interlock_means and b.duty in ("lead", "schedule"):
        least = SAME_CAUSE_MS if b.low_water.slot >= 0 or b.lockout.slot >= 0 else 0
        yield b.name, "interlock_open", "", InterlockOpen(i, b), i, least
    if b.controller_alarm.slot >= 0:
        condition = ContactSays(i, b, b.controller_alarm, "the wall controller's alarm contact is on")
        yield b.name, "controller_alarm", "", condition, i, 0
    if b.probe >= 0:
        yield b.name, "probe_loop_fault", "", LoopFault(i, b), i, 0
        yield b.name, "probe_open", "", ProbeOpen(i, b), i, 0
        if b.sample_rule.arrangement != "none":  # nothing representative comes from a probe that is never sampled
            yield b.name, "no_representative_sample", "", NoSample(i, b), i, 0
            yield from _limit_rows(plant, i, b)
    if _blows_end(plant, i):
        yield b.name, "blowdown_over_time", "", OverTime(i, b), i, 0
    if b.command.slot >= 0:
        yield b.name, "valve_stuck_shut", "", StuckShut(i, b), i, 0
        yield b.name, "valve_stuck_open", "", StuckOpen(i, b), i, 0

    if b.cycles.slot >= 0:
        yield b.name, "short_cycling", "", _cycling(plant, i, b), i, 0
    yield from _signal_rows(plant, i, b)
    yield from _valve_rows(plant, i, b)


def _cycling(plant: Plant, i: int, b: BoilerWiring) -> ShortCycling:
    """As the plant says, else as is usual for a burner; a limit circuit opens far more seldom."""
    setting = plant.alarms.get("short_cycling", AlarmSetting())
    burner = b.burner.slot >= 0 or b.state_rule.contact == "burner"
    most, within_ms = (STARTS_MOST, STARTS_MS) if burner else (OPENINGS_MOST, OPENINGS_MS)
    if setting.within is not None:
        within_ms = round(setting.within * 1000)
    return ShortCycling(i, b, most if setting.count is None else setting.count, within_ms)


def _signal_rows(plant: Plant, i: int, b: BoilerWiring) -> Iterator[_Row]:
    """What is told of the probe's signal: a held one is not judged, nor one that is never sampled."""
    if b.probe < 0:
        return
    yield b.name, "probe_fouling", "", Fouling(i), i, 0
    rule = b.sample_rule
    if rule.arrangement == "none" or (rule.said and rule.held):
        return
    yield b.name, "probe_value_stuck", "", Verdict(i, b, Reason.VALUE_STUCK), i, 0
    yield b.name, "steam_at_probe", "", Verdict(i, b, Reason.STEAM_AT_PROBE), i, 0
    if b.watch_rule.rate.up > 0:
        yield b.name, "calibration_step", "", Stepped(i), i, 0


def _valve_rows(plant: Plant, i: int, b: BoilerWiring) -> Iterator[_Row]:
    """What is told of a valve that is going, of one that works while its boiler is off, and of its controller."""
    valve = plant.boilers[i].blowdown_valve
    if valve is not None and (b.command.slot >= 0 or _seen(b)):
        yield b.name, "blowdown_while_off", "", BlowdownWhileOff(i, b), i, 0
    if b.open_switch.slot >= 0 and b.shut_switch.slot >= 0:
        yield b.name, "valve_switch_disagrees", "", SwitchesDisagree(i, b), i, b.valve_travel_ms + 2 * b.poll_ms
    if valve is not None and b.command.slot >= 0:
        stated = valve.travel if "travel" in valve.model_fields_set else 0.0
        yield b.name, "valve_slow", "", SlowValve(i, b, stated), i, 0
    if b.rest_ms:
        yield b.name, "valve_leaking", "", LeakByHeat(i, b), i, 0
    if b.command.slot >= 0 or b.hand.slot >= 0:
        yield b.name, "controller_idle", "", ControllerIdle(i, b, _patience(plant, "controller_idle", IDLE_MS)), i, -1


def _seen(b: BoilerWiring) -> bool:
    return b.open_switch.slot >= 0 or b.shut_switch.slot >= 0 or b.position >= 0 or b.demand >= 0


def _shared_rows(plant: Plant, w: Wiring) -> Iterator[_Row]:
    """Alarms of what several boilers may share: blowdown meters and chemical pumps."""
    for k, rule in enumerate(w.bleeds):
        served = tuple((i, w.boilers[i]) for i in rule.boilers)
        name = w.meters[rule.meter].name
        yield name, "valve_leaking", "", LeakByMeter(k, served, rule.stated), -1, 0
    for k, water in enumerate(w.waters):
        yield water.name, "feedwater_quality_changed", "", QualityChanged(k, water), -1, 0
    patience = _patience(plant, "chemical_feed_while_off", round(KINDS["chemical_feed_while_off"].on_delay_s * 1000))
    for pump in w.balance.dosing.pumps:
        if pump.serves:
            contact = Role(pump.slot, pump.when)
            yield pump.name, "chemical_feed_while_off", "", FeedWhileOff(contact, pump.serves, patience), -1, -1
    yield from _house_rows(plant, w)


def _house_rows(plant: Plant, w: Wiring) -> Iterator[_Row]:
    """Alarms of pumps against their pacing, of tanks, and of meters that count while nothing should flow."""
    for k, pump in enumerate(w.balance.dosing.pumps):
        if pump.pacing is not None:
            yield pump.name, "pump_not_as_paced", "", NotAsPaced(k, pump), -1, 0
        most_ms, stated = overrun(pump)
        if plant.alarms.get("pump_overrun", AlarmSetting()).on_delay is not None:
            most_ms, stated = _patience(plant, "pump_overrun", most_ms), ""
        yield pump.name, "pump_overrun", "", Overrun(Role(pump.slot, pump.when), most_ms, stated), -1, -1
    rules, given = {r.name: r for r in w.balance.dosing.tanks}, {t.name: t for t in plant.tanks}
    for tank in w.tanks:
        low = given[tank.name].low
        for kind, limit in (("tank_low", low), ("tank_empty", EMPTY)):
            if limit is not None:
                own = plant.alarms.get(kind, AlarmSetting()).deadband
                deadband = LEVEL_DEADBAND if own is None else own
                yield tank.name, kind, "", TankLevel(tank, limit, deadband, rules.get(tank.name)), -1, 0
    window = _patience(plant, "meter_running_while_off", WINDOW_MS)
    boiler_of = {b.name: i for i, b in enumerate(w.boilers)}
    for meter, own_meter in zip(w.meters, plant.meters, strict=True):
        if own_meter.measures in ("makeup", "feedwater") and own_meter.serves:
            served = tuple(boiler_of[name] for name in own_meter.serves)
            yield meter.name, "meter_running_while_off", "", RunsWhileOff(meter, served, window), -1, -1


def _patience(plant: Plant, kind: str, usual_ms: int) -> int:
    """How long a condition with a patience of its own waits: `on_delay` of the plant, else what is usual."""
    given = plant.alarms.get(kind, AlarmSetting()).on_delay
    return usual_ms if given is None else round(given * 1000)


def _blows_end(plant: Plant, i: int) -> bool:
    """Whether a blow has a longest time: a modulating valve may stay open for days, unless `longest` is written."""
    valve = plant.boilers[i].blowdown_valve
    return valve is not None and (valve.kind != "modulating" or "longest" in valve.model_fields_set)


def _limit_rows(plant: Plant, i: int, b: BoilerWiring) -> Iterator[_Row]:
    """Limits on samples bring their own patience: no further delay. Continuous ones wait for the on-delay."""
    rule = b.sample_rule
    sampled = rule.valve_known and rule.arrangement not in ("continuous", "side-stream")
    for kind, limit, above, very in (
        ("conductivity_very_high", b.limits.very_high, True, True),
        ("conductivity_high", b.limits.high, True, False),
        ("conductivity_low", b.limits.low, False, False),
    ):
        given = limit is not None
        if limit is None:
            if not very or b.probe_line is None:
                continue
            limit = _top(b.probe_line)  # without a limit the top of the range is still told
            if not math.isfinite(limit):
                continue
        setting = plant.alarms.get(kind, AlarmSetting())
        deadband = CONDUCTIVITY_DEADBAND * limit if setting.deadband is None else setting.deadband
        deadband = min(deadband, _widest(b, limit, above))
        patience = PATIENCE_MS if setting.on_delay is None else round(setting.on_delay * 1000)
        proposed = kind.removeprefix("conductivity_") in b.limits.proposed
        condition = Limit(i, b, round(limit, 3), above, deadband, very, patience, proposed, given)
        yield b.name, kind, "", condition, i, -1 if sampled else 0


def _top(line: Line) -> float:
    """The value at the top of a probe's range, uS/cm."""
    counts = ((ma - line.low_ma) / line.ma_gain + line.low_count for ma in (line.bottom_ma, line.top_ma))
    return max(line.value(count) for count in counts)


def _widest(b: BoilerWiring, limit: float, above: bool) -> float:
    """The widest deadband that still lets an alarm clear: half of a limit, or up to where the band begins."""
    if above:
        return limit / 2
    bottom = (b.set_point or 0.0) - b.differential
    return bottom - limit if bottom > limit else math.inf
