"""The limit an alarm was judged by: its figure, how it came about, and where that stands. May import: as `explain`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from config import limits
from daemon.alarms.condition import Alarm
from daemon.alarms.conductivity import AnalogueLimit, Limit
from daemon.alarms.contacts import ShortCycling
from daemon.alarms.feedwater import QualityChanged
from daemon.alarms.house import Overrun, RunsWhileOff, TankLevel
from daemon.alarms.idle import INTERVALS, ControllerIdle, FeedWhileOff
from daemon.alarms.moving import CLEARS_AT, RateLimit
from daemon.alarms.signal import BETTER
from daemon.alarms.valve_wear import LeakByHeat, LeakByMeter, SlowValve
from daemon.core.say import minutes
from daemon.engine.alarm_list import CONDUCTIVITY_DEADBAND
from daemon.measure import bleed, usual, valve_habits
from daemon.measure.drift import CLEAN_AT
from daemon.report.explain_parts import Step, num
from daemon.report.explain_past import Scene

PRACTICE: Final = "common practice, no source"


def limit_steps(scene: Scene, alarm: Alarm) -> list[Step]:
    maker = _LIMITS.get(type(alarm.condition).__name__)
    return maker(scene, alarm) if maker else []


def _conductivity(scene: Scene, alarm: Alarm) -> list[Step]:
    x = alarm.condition
    assert isinstance(x, Limit)
    i = next(k for k, b in enumerate(scene.plant.boilers) if b.name == alarm.target)
    cond, key = scene.plant.boilers[i].conductivity, alarm.kind.removeprefix("conductivity_")
    assert cond is not None
    says, formula, worked = [], "", ""
    if not x.given:
        says.append("no limit is known: it is raised where the signal rests at the top of its range")
        source = scene.places.where("boiler", i, "conductivity", "range")
    elif x.proposed:
        set_point = cond.set_point or 0.0
        factor = {"high": limits.HIGH_ABOVE, "very_high": limits.VERY_HIGH_ABOVE, "low": limits.LOW_BELOW}[key]
        says.append("proposed from the set point, to be confirmed by those who give limits")
        formula = "limit = (set point - differential) x factor" if key == "low" else "limit = set point x factor"
        diff = f" - {num(cond.differential or 0.0)}" if key == "low" else ""
        base = f"({num(set_point)}{diff})" if diff else num(set_point)
        worked = f"{base} x {factor:g} = {scene.both(x.limit, alarm.unit)}"
        if abs((set_point - (cond.differential or 0.0) if key == "low" else set_point) * factor - x.limit) > 0.01:
            worked += " (moved so that low < set point < high < very high)"
        source = f"factor: {PRACTICE}; the set point: {scene.places.where('boiler', i, 'conductivity', 'set_point')}"
        if key == "low":
            source += f"; differential: {scene.places.or_default('boiler', i, 'conductivity', 'differential')}"
    else:
        says.append(f"written: {scene.both(x.limit, alarm.unit)}")
        source = scene.places.where("boiler", i, "conductivity", key)
    out = [Step("Limit", tuple(says), formula, worked, source)]
    here = f"plant's own: {scene.places.where('alarms', alarm.kind, 'deadband')}"
    band = (
        here
        if scene.places.given("alarms", alarm.kind, "deadband")
        else f"{CONDUCTIVITY_DEADBAND:.0%} of it: {PRACTICE}"
    )
    back = x.limit - x.deadband if x.above else x.limit + x.deadband
    side = "below" if x.above else "above"
    out.append(
        Step(
            "Deadband",
            (f"{scene.both(x.deadband, alarm.unit)}: it clears {side} {scene.both(back, alarm.unit)}",),
            source=band,
        )
    )
    return out


def _analogue(scene: Scene, alarm: Alarm) -> list[Step]:
    x = alarm.condition
    assert isinstance(x, AnalogueLimit)
    key, at = "high" if x.above else "low", _signal(scene, alarm)
    back = x.limit - x.deadband if x.above else x.limit + x.deadband
    return [
        Step("Limit", (f"written: {scene.both(x.limit, x.unit)}",), source=scene.places.where(*at, key)),
        Step(
            "Deadband",
            (
                f"{scene.both_difference(x.deadband, x.unit)}: it clears {'below' if x.above else 'above'} "
                f"{scene.both(back, x.unit)}",
            ),
            source=scene.places.or_default(*at, "deadband"),
        ),
    ]


def _signal(scene: Scene, alarm: Alarm) -> tuple[str | int, ...]:
    """Where in the plant file a signal with limits of its own stands: an [[analogue]], or one of a boiler."""
    if alarm.name:
        return "boiler", next(k for k, b in enumerate(scene.plant.boilers) if b.name == alarm.target), alarm.name
    return "analogue", next(k for k, a in enumerate(scene.plant.analogues) if a.name == alarm.target)


def _rate(scene: Scene, alarm: Alarm) -> list[Step]:
    x, at = alarm.condition, _signal(scene, alarm)
    assert isinstance(x, RateLimit)
    return [
        Step("Limit", (f"written: {x.limit:g} {x.unit}, up or down",), source=scene.places.where(*at, "rate")),
        Step(
            "Average",
            (f"the slope of a first-order average over {minutes(x.over_ms)}", f"it clears below {CLEARS_AT:g} of it"),
            source=scene.places.or_default(*at, "rate_over"),
        ),
    ]


def _cycling(scene: Scene, alarm: Alarm) -> list[Step]:
    x = alarm.condition
    assert isinstance(x, ShortCycling)
    says = f"more than {x.most} in {minutes(x.window_ms)}; it clears at {x.most // 2} or fewer"
    keys = [f"{key}: {_given(scene, alarm.kind, key)}" for key in ("count", "within")]
    return [Step("Limit", (says,), source="; ".join(keys))]


def _patience(scene: Scene, alarm: Alarm) -> list[Step]:
    x = alarm.condition
    assert isinstance(x, ControllerIdle | FeedWhileOff)
    says = [f"told after {minutes(x.patience_ms)}"]
    if isinstance(x, ControllerIdle) and x.wiring.sample_rule.arrangement in ("timed", "hold"):
        says.append(f"without a sample: after {INTERVALS:g} of its intervals, if that is longer")
    return [Step("Limit", tuple(says), source=f"on_delay: {_given(scene, alarm.kind, 'on_delay')}")]


def _slow(scene: Scene, alarm: Alarm) -> list[Step]:
    x = alarm.condition
    assert isinstance(x, SlowValve)
    h = scene.now.state.cells.senses.boilers[x.boiler].habits
    i = next(k for k, b in enumerate(scene.plant.boilers) if b.name == alarm.target)
    says = [
        f"its first {valve_habits.STROKES} strokes: {h.opening.usual:.0f} s open, {h.shutting.usual:.0f} s shut",
        f"half as long again, or a poll of {x.wiring.poll_ms / 1000:g} s more, is slow",
    ]
    if x.travel_s:
        says.append(f"stated travel: {x.travel_s:g} s; {1 + valve_habits.LATER:g} times that and a poll is slow")
    if h.effect:
        says.append(f"its first {valve_habits.BLOWS} blows: {100 * h.effect:.0f} % an hour; less than half is weak")
    travel = scene.places.or_default("boiler", i, "blowdown_valve", "travel")
    return [Step("Limit", tuple(says), source=f"travel: {travel}; the rest: {PRACTICE}")]


def _leak(scene: Scene, alarm: Alarm) -> list[Step]:
    x = alarm.condition
    if isinstance(x, LeakByHeat):
        h = scene.now.state.cells.senses.boilers[x.boiler].habits
        most_warm, own = (f"{100 * share:.0f} %" for share in (valve_habits.warm_from(h), h.rest))
        says = f"{most_warm} of the way from room to boiling; usual here: {own}"
        return [Step("Limit", (says,), source=PRACTICE)]
    assert isinstance(x, LeakByMeter)
    c = scene.now.state.cells.senses.bleeds[x.bleed]
    learned, most = bleed.normal(c), bleed.most(c, x.stated)
    if most is None:
        return []
    how = "stated in the plant file" if learned is None else "learned"
    base = (x.stated or 0.0) if learned is None else learned
    return [
        Step(
            "Limit",
            (f"usual with the valves shut: {scene.both(base, alarm.unit)}, {how}",),
            "limit = usual x 1.5 + two pulses in the hour",
            f"{num(base)} x {bleed.ABOVE:g} + {num(c.rough)} = {scene.both(most, alarm.unit)}",
            PRACTICE,
        )
    ]


def _fouling(scene: Scene, alarm: Alarm) -> list[Step]:
    says = f"{CLEAN_AT:g} % of sensitivity lost, by the 95 % bound of the line; it clears below {CLEAN_AT * BETTER:g} %"
    return [Step("Limit", (says,), source=PRACTICE)]


def _water(scene: Scene, alarm: Alarm) -> list[Step]:
    x = alarm.condition
    assert isinstance(x, QualityChanged)
    u = scene.now.state.cells.senses.usuals[x.water]
    below, above = (scene.both(v, "uS/cm") for v in usual.limits(u))
    says = (
        f"the band of {len(u.hours)} hours: {scene.both(u.low, 'uS/cm')} to {scene.both(u.high, 'uS/cm')}",
        f"changed: below {below} or above {above}",
    )
    return [Step("Limit", says, source=PRACTICE)]


def _tank(scene: Scene, alarm: Alarm) -> list[Step]:
    x = alarm.condition
    assert isinstance(x, TankLevel)
    i = next(k for k, t in enumerate(scene.plant.tanks) if t.name == alarm.target)
    source = scene.places.where("tank", i, "low") if alarm.kind == "tank_low" else PRACTICE
    says = f"{x.limit:g} % of the full level; it clears at {x.limit + x.deadband:g} %"
    return [Step("Limit", (says,), source=f"{source}; deadband: {_given(scene, alarm.kind, 'deadband')}")]


def _overrun(scene: Scene, alarm: Alarm) -> list[Step]:
    x = alarm.condition
    assert isinstance(x, Overrun)
    if not x.stated:
        says, source = minutes(x.most_ms), f"on_delay: {_given(scene, alarm.kind, 'on_delay')}"
    else:
        i = next(k for k, c in enumerate(scene.plant.chemicals) if c.name == alarm.target)
        says = f"{minutes(x.most_ms)}: half as much again as its {x.stated}, and what polls may miss"
        source = f"{x.stated}: {scene.places.where('chemical', i, x.stated)}; the half: {PRACTICE}"
    return [Step("Limit", (f"on without a break for more than {says}",), source=source)]


def _while_off(scene: Scene, alarm: Alarm) -> list[Step]:
    x = alarm.condition
    assert isinstance(x, RunsWhileOff)
    says = (
        f"three pulses in {minutes(x.window_ms)}, and 1 % of max_rate at least; it clears below half of that",
        "judged once every boiler it serves has been off for an hour",
    )
    return [Step("Limit", says, source=f"on_delay: {_given(scene, alarm.kind, 'on_delay')}; the rest: {PRACTICE}")]


def _given(scene: Scene, kind: str, key: str) -> str:
    """Where a figure of [alarms.KIND] stands, or that it is the program's own."""
    return scene.places.where("alarms", kind, key) if scene.places.given("alarms", kind, key) else PRACTICE


_LIMITS: Final[Mapping[str, Callable[[Scene, Alarm], list[Step]]]] = {
    "Limit": _conductivity,
    "AnalogueLimit": _analogue,
    "RateLimit": _rate,
    "ShortCycling": _cycling,
    "ControllerIdle": _patience,
    "FeedWhileOff": _patience,
    "SlowValve": _slow,
    "LeakByHeat": _leak,
    "LeakByMeter": _leak,
    "Fouling": _fouling,
    "QualityChanged": _water,
    "TankLevel": _tank,
    "Overrun": _overrun,
    "RunsWhileOff": _while_off,
}
