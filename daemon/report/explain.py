"""How a number came about, step by step, from what is stored: `explain_tag` finds the reading, its makers explain it.

Pure but for the reader it is given. May import: config, daemon.core, daemon.measure, daemon.alarms, daemon.engine,
daemon.store, this room. The number itself is what was stored; the steps are worked out again by the engine's own
functions, and where they give something else, that is said (`differs`). A new `what` of a derived tag is a row in
`DERIVED`.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from typing import Final

from daemon.core.figure_tags import PACING
from daemon.core.outcome import Derived
from daemon.core.reasons import quality, words
from daemon.core.say import in_plant_units, minutes
from daemon.core.tags import STATES, DerivedTag, RawTag, derived_tags, raw_tags
from daemon.measure.current_loop import to_reading
from daemon.measure.senses import good_value
from daemon.measure.wiring import ANALOGUE
from daemon.report import explain_boiler, explain_figures, explain_meter, explain_sample, explain_signal
from daemon.report.explain_parts import Explained, Step, listed, num
from daemon.report.explain_past import Past, Scene
from daemon.report.explain_signal import taken, told
from daemon.store.records import StoredGroup

LOOK_BACK: Final = 60_000
"""Groups looked through for the last value of a tag: a week of polls every 10 s."""

AGAIN_MS: Final = 60_000  # a time this little past the last stored group is meant as now


class ExplainError(Exception):
    """Nothing can be explained; the text says why and what is wanted."""


class Unknown(ExplainError):
    """There is no such tag."""


def explain_tag(past: Past, name: str, at_ms: int | None) -> Explained:
    """Explain a tag as it was at `at_ms` (UTC; None: the newest). ExplainError, Unknown."""
    scene, remarks = scene_at(past, at_ms)
    raw = explain_signal.raw_tag(scene, name) or next((t for t in raw_tags(scene.plant) if t.ref == name), None)
    if raw is not None:
        return _raw(scene, raw, at_ms, remarks)
    derived = next((t for t in derived_tags(scene.plant) if t.name == name), None)
    if derived is None:
        raise Unknown(_no_tag(scene, name))
    return _derived(scene, derived, at_ms, remarks)


# ---------------------------------------------------------------------- which group


def scene_at(past: Past, at_ms: int | None) -> tuple[Scene, list[str]]:
    """The last group at or before a time, and what has to be said of the choice. ExplainError."""
    reader = past.reader
    last = reader.last()
    least = reader.first_number()
    if last is None or least is None:
        raise ExplainError(f"{reader.path} holds nothing yet: start the service, or give another store with --store.")
    if at_ms is None:
        at_ms = last.at_ms
        numbers: tuple[int, ...] = (last.number,)
    else:
        numbers = reader.last_at(at_ms)
    stored = reader.group(numbers[0]) if numbers else None
    if stored is None or at_ms > last.at_ms + AGAIN_MS:
        first = reader.group(least)
        assert first is not None
        here = Scene(past, first)
        raise ExplainError(
            f"Nothing is stored for {here.clock(at_ms)}. The store holds {here.clock(first.group.at_ms)} to "
            f"{here.clock(last.at_ms)}."
        )
    scene, remarks = Scene(past, stored), []
    late = at_ms - stored.group.at_ms
    most = 3000 * max(m.every for m in scene.plant.modules)
    if late > max(most, AGAIN_MS):
        remarks.append(
            f"nothing was watched at {scene.clock(at_ms)}: the last poll before it was {minutes(late)} earlier"
        )
    if len(numbers) > 1:
        other = reader.group(numbers[1])
        if other is not None and at_ms - other.group.at_ms <= most:
            remarks.append(
                f"the clock showed this time twice: group {other.group.number} has it too, before the clock was set "
                f"back; the later, group {stored.group.number}, is explained"
            )
    return scene, remarks


def _no_tag(scene: Scene, name: str) -> str:
    names = [t.name for t in raw_tags(scene.plant)] + [t.name for t in derived_tags(scene.plant)]
    folded = {n.casefold(): n for n in names}
    target, _, key = name.casefold().partition(".")
    of_target = [n for n in names if n.casefold().partition(".")[0] == target]
    if of_target and not key:
        return f"{name} is no tag. It has {listed(of_target)}."
    near = [folded[n] for n in difflib.get_close_matches(name.casefold(), folded, 4, 0.6)]
    if near:
        return f"There is no tag {name!r}. Did you mean {listed(near).replace(' and ', ' or ')}?"
    if of_target:
        return f"There is no tag {name!r}. {of_target[0].partition('.')[0]} has {listed(of_target)}."
    targets = list(dict.fromkeys(n.partition(".")[0] for n in names))
    return f"There is no tag {name!r}. A tag is like {names[0]}; names before the point: {', '.join(targets)}."


# ---------------------------------------------------------------------- signals


def _raw(scene: Scene, tag: RawTag, asked_ms: int | None, remarks: list[str]) -> Explained:
    found = taken(scene, tag)
    if found is None:  # its module was not due in this group
        back = next(
            (
                stored
                for n, stored in enumerate(scene.reader.groups_before(scene.group.number))
                if n < LOOK_BACK and stored.group.plant == scene.group.plant and _holds(stored, tag)
            ),
            None,
        )
        if back is None:
            raise ExplainError(f"Nothing of {tag.name} is stored at or before {scene.clock(scene.group.at_ms)}.")
        scene = scene.at(back)
        found = taken(scene, tag)
        assert found is not None
    steps = [explain_signal.as_read(scene, tag, found)]
    value: float | int | None = found.count
    unit, shown, differs = "", "no value", []
    if tag.kind == "analogue":
        reading = to_reading(found.count, tag, scene.group.at_ms, found.fault)
        value, unit = reading.value, reading.unit
        steps += explain_signal.analogue(scene, tag, found)
        if value is not None:
            shown = _shown(scene, value, unit)
        if tag.name.endswith(".probe") and tag.range is not None:
            steps += explain_sample.probe(scene, tag, found.verdict)
        differs = _seen_otherwise(scene, tag, value, found.verdict)
    elif tag.kind == "contact":
        steps += explain_signal.contact(scene, tag)
        shown = {None: "no value", 0: "open", 1: "closed"}.get(None if value is None else int(value), str(value))
    else:
        if tag.kind == "counter" and found.count is not None:
            steps.append(explain_meter.step_taken(scene, tag.target, found.count))
            steps.append(explain_meter.worth(scene, tag.target))
        shown = "no value" if value is None else f"{num(value) if isinstance(value, int) else repr(value)}"
    return _explained(
        scene,
        tag.name,
        _of(tag),
        value,
        unit,
        shown,
        found.verdict,
        scene.group.at_ms,
        asked_ms,
        steps,
        remarks,
        differs,
    )


def _holds(stored: StoredGroup, tag: RawTag) -> bool:
    return any(scan.module == tag.module for scan in stored.group.scans)


def _of(tag: RawTag) -> str:
    kind = {
        "analogue": "a 4-20 mA signal",
        "contact": "a contact",
        "counter": "a pulse counter",
        "raw": "an unused input",
    }
    printed = tag.range is not None and tag.range.direct
    return "a printed number" if printed else kind[tag.kind]


def _seen_otherwise(scene: Scene, tag: RawTag, value: float | int | None, verdict: int) -> list[str]:
    """What the engine's own state after the group says of a signal, where that is not what is printed."""
    use = explain_signal.use_of(scene, tag)
    if use is None or use[1] != ANALOGUE:
        return []
    s, out = scene.now.state.cells.senses, []
    if s.values[use[2]] != value:
        out.append(f"stepping the group again gives {s.values[use[2]]!r}, the way shown here {value!r}")
    if s.reasons[use[2]] != verdict and scene.now.since_ms is None:
        out.append(f"stepping the group again gives {told(s.reasons[use[2]])}, stored is {told(verdict)}")
    return out


# ---------------------------------------------------------------------- what is derived

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
    "figure": explain_figures.figure,
    "event": explain_figures.figure,
    "pacing": explain_figures.pacing,
}
_NO_VALUE_WHEN_BAD: Final = ("figure", "event", "pacing")


def last_derived(scene: Scene, tag: DerivedTag) -> tuple[StoredGroup, Derived] | None:
    """The last value of a derived tag stored at or before the scene's group."""
    index: dict[int, int] = {}
    for n, stored in enumerate(scene.reader.groups_before(scene.group.number)):
        if n >= LOOK_BACK:
            return None
        version = stored.group.plant
        if version not in index:
            tags = derived_tags(scene.reader.plant(version))
            index[version] = next((i for i, t in enumerate(tags) if t.name == tag.name), -1)
        for d in reversed(stored.derived):
            if d.tag == index[version]:
                return stored, d
    return None


def _derived(scene: Scene, tag: DerivedTag, asked_ms: int | None, remarks: list[str]) -> Explained:
    found = last_derived(scene, tag)
    if found is None:
        return _nothing_yet(scene, tag, asked_ms, remarks)
    stored, d = found
    then = scene.at(stored)
    steps = list(DERIVED[tag.what](then, tag))
    value: float | None = d.value
    if tag.what in _NO_VALUE_WHEN_BAD and quality(d.reason).value == "bad":
        value = None
    differs = _stepped_otherwise(then, tag, d)
    if tag.what in ("conductivity", "dissolved_solids") and then is not scene:
        steps.append(_since(scene, tag, stored))
    if then.now.since_ms is not None:
        remarks.append(
            f"no engine state was kept from before this time, and the store is long: the steps were worked out from "
            f"{then.clock(then.now.since_ms)} on, and what was before that is not known to them. The value is as stored"
        )
    return _explained(
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
}


def _derived_shown(scene: Scene, tag: DerivedTag, value: float | None) -> str:
    if value is None:
        return "no value"
    if tag.what == "state":
        return STATES[int(value)]
    if tag.what == "valve":
        return "open" if value else "shut"
    return PACING[int(value)] if tag.what == "pacing" else _shown(scene, value, tag.unit)


def _shown(scene: Scene, value: float | int, unit: str) -> str:
    number, shown = in_plant_units(value, unit, scene.system)
    return f"{num(number)} {shown}".rstrip()


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


def _stepped_otherwise(scene: Scene, tag: DerivedTag, d: Derived) -> list[str]:
    """Whether stepping the stored group again gives the value that is stored; nothing where the past is not known."""
    if scene.now.since_ms is not None:
        return []
    again = scene.derived_again()
    got = next((x for x in reversed(again) if x.tag == d.tag), None)
    if got == d:
        return []
    text = "no value" if got is None else f"{got.value!r} ({told(got.reason)})"
    return [f"stepping the stored polls again gives {text}, stored is {d.value!r} ({told(d.reason)})"]


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
        steps = list(DERIVED[tag.what](scene, tag))
    else:
        steps = [Step("What it is", (tag.about or tag.label,))]
    label = tag.label or _WHAT.get(tag.what, tag.what)
    remarks = [*remarks, "no value of it was stored up to this time"]
    return _explained(
        scene, tag.name, label, None, tag.unit, "no value", reason, scene.group.at_ms, asked_ms, steps, remarks, []
    )


def _explained(
    scene: Scene,
    name: str,
    what: str,
    value: float | int | None,
    unit: str,
    shown: str,
    reason: int,
    at_ms: int,
    asked_ms: int | None,
    steps: list[Step],
    remarks: list[str],
    differs: list[str],
) -> Explained:
    v = scene.version
    summary = [f"{shown}, {told(reason)}"]
    if value is not None and unit:
        summary.append(f"exactly {value!r} {unit}, as stored")
    asked = "" if asked_ms is None or asked_ms == at_ms else f"; asked for {scene.clock(asked_ms)}"
    summary.append(f"at {scene.clock(at_ms)}{asked}")
    summary.append(
        f"group {scene.group.number}, by plant file version {v.version}, in force since {scene.clock(v.from_ms)}"
    )
    facts = {
        "tag": name,
        "value": value,
        "unit": unit,
        "shown": shown,
        "quality": quality(reason).value,
        "reason": int(reason),
        "reason_words": words(reason),
        "at_ms": at_ms,
        "asked_ms": asked_ms,
        "group": scene.group.number,
        "segment": scene.group.segment,
        "plant_version": v.version,
        "plant_sha256": v.sha256,
    }
    return Explained(f"{name}: {what}", tuple(summary), facts, tuple(steps), tuple(remarks), tuple(differs))
