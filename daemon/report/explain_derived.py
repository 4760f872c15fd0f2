"""A derived tag explained: the last value stored of it, by the steps of its kind.

A new `what` of a derived tag is a row in `DERIVED`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from daemon.core.figure_tags import PACING
from daemon.core.outcome import Derived
from daemon.core.reasons import quality
from daemon.core.say import minutes
from daemon.core.tags import STATES, DerivedTag
from daemon.measure.senses import good_value
from daemon.report import explain_boiler, explain_figures, explain_meter, explain_sample, explain_tank
from daemon.report.explain_made import explained, not_known, shown
from daemon.report.explain_parts import Explained, Step
from daemon.report.explain_past import Scene
from daemon.report.explain_signal import told
from daemon.store.records import StoredGroup

Maker = Callable[[Scene, DerivedTag], list[Step]]

DERIVED: Final[Mapping[str, Maker]] = {
    "conductivity": explain_sample.representative,
    "dissolved_solids": explain_sample.representative,
    "state": explain_boiler.state,
    "valve": explain_boiler.valve,
    "total": explain_meter.total,
    "mass": explain_meter.total,
    "rate": explain_meter.rate,
    "mass_rate": explain_meter.rate,
    "volume": explain_tank.volume,
    "day": explain_meter.day,
    "today": explain_meter.day,
    "figure": explain_figures.figure,
    "event": explain_figures.figure,
    "pacing": explain_figures.pacing,
}


def _what_it_is(scene: Scene, tag: DerivedTag) -> list[Step]:
    """All that can be said of a kind of tag that has no steps yet."""
    return [Step("What it is", (tag.about or tag.label or f"a value of {tag.target}",))]


NO_VALUE_WHEN_BAD: Final = ("figure", "event", "pacing", "volume")


def explain_derived(scene: Scene, tag: DerivedTag, asked_ms: int | None, remarks: list[str]) -> Explained:
    found = scene.last_of(tag)
    if found is None:
        return _nothing_yet(scene, tag, asked_ms, remarks)
    stored, d = found
    then = scene.at(stored)
    steps = list(DERIVED.get(tag.what, _what_it_is)(then, tag))
    value: float | None = d.value
    if tag.what in NO_VALUE_WHEN_BAD and quality(d.reason).value == "bad":
        value = None
    went_on = tag.what in ("total", "mass", "day", "today")  # from what was stored before: the steps say so
    differs, bounded = _stepped_again(then, d, went_on)
    if tag.what in ("conductivity", "dissolved_solids") and then is not scene:
        steps.append(_since(scene, tag, stored))
    remarks = remarks + bounded
    return explained(
        then,
        tag.name,
        tag.label or _WHAT.get(tag.what, tag.what),
        value,
        tag.unit,
        _derived_shown(then, tag, value),
        d.reason,
        stored.group.at_ms,
        asked_ms if asked_ms is not None else scene.group.at_ms,
        steps,
        remarks,
        differs,
    )


_WHAT: Final = {
    "conductivity": "representative conductivity",
    "dissolved_solids": "dissolved solids, from the representative conductivity",
    "state": "what the boiler is doing",
    "valve": "surface blowdown valve",
    "total": "volume since the log began",
    "rate": "flow",
    "mass": "mass since the log began",
    "mass_rate": "mass flow",
    "volume": "what the tank holds",
    "day": "volume of the day that ended last",
    "today": "volume since midnight",
}


def _derived_shown(scene: Scene, tag: DerivedTag, value: float | None) -> str:
    if value is None:
        return "no value"
    if tag.what == "state":
        return STATES[int(value)]
    if tag.what == "valve":
        return "open" if value else "shut"
    return PACING[int(value)] if tag.what == "pacing" else shown(scene, value, tag.unit)


def _since(scene: Scene, tag: DerivedTag, stored: StoredGroup) -> Step:
    """What the sample line has done since the reading that still stands."""
    s, _, w = explain_boiler.boiler_of(scene, tag.target)
    age = minutes(scene.group.at_ms - stored.group.at_ms)
    line = explain_sample.sample_line(scene, tag.target)
    now = s.values[w.probe] if w.probe >= 0 else None
    reads = "no value" if now is None else scene.both(now, "uS/cm")
    says = (
        f"the reading stands, {age} old, since no newer one was representative",
        *line.says[1:],
        f"the probe itself says {reads}: {told(s.reasons[w.probe])}",
    )
    return Step(f"Held until {scene.clock(scene.group.at_ms)}", says, source=line.source)


def _stepped_again(scene: Scene, d: Derived, went_on: bool) -> tuple[list[str], list[str]]:
    """What stepping the stored group again gives: where it differs, and what is not known where the past is not."""
    got = next((x for x in reversed(scene.derived_again()) if x.tag == d.tag), None)
    if scene.now.since_ms is not None:
        return [], [] if went_on else not_known(scene, same=got == d)
    if got == d:
        return [], []
    text = "no value" if got is None else f"{got.value!r} ({told(got.reason)})"
    return [f"stepping the stored polls again gives {text}, stored is {d.value!r} ({told(d.reason)})"], []


def _nothing_yet(scene: Scene, tag: DerivedTag, asked_ms: int | None, remarks: list[str]) -> Explained:
    steps: list[Step] = []
    reason = 90
    if tag.what in ("conductivity", "dissolved_solids"):
        steps = [explain_sample.sample_line(scene, tag.target)]
        s, _, w = explain_boiler.boiler_of(scene, tag.target)
        if w.probe >= 0:
            value = good_value(s, w.probe)
            reads = "no value" if value is None else scene.both(value, "uS/cm")
            steps.append(Step("Probe", (f"the probe itself says {reads}: {told(s.reasons[w.probe])}",)))
    elif tag.what not in ("event", "figure", "pacing"):
        steps = list(DERIVED.get(tag.what, _what_it_is)(scene, tag))
    else:
        steps = _what_it_is(scene, tag)
    label = tag.label or _WHAT.get(tag.what, tag.what)
    remarks = [*remarks, "no value of it was stored up to this time"]
    return explained(
        scene, tag.name, label, None, tag.unit, "no value", reason, scene.group.at_ms, asked_ms, steps, remarks, []
    )
