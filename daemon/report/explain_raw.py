"""A signal explained: what one channel gave, by the steps of its kind."""

from __future__ import annotations

from daemon.core.tags import RawTag
from daemon.measure.current_loop import to_reading
from daemon.measure.wiring import ANALOGUE
from daemon.report import explain_meter, explain_sample, explain_signal
from daemon.report.explain_made import ExplainError, explained, not_known, shown
from daemon.report.explain_parts import Explained, num
from daemon.report.explain_past import LOOK_BACK, Scene
from daemon.report.explain_signal import taken, told
from daemon.store.records import StoredGroup


def explain_raw(scene: Scene, tag: RawTag, asked_ms: int | None, remarks: list[str]) -> Explained:
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
    unit, text, differs = "", "no value", []
    if tag.kind == "analogue":
        reading = to_reading(found.count, tag, scene.group.at_ms, found.fault)
        value, unit = reading.value, reading.unit
        steps += explain_signal.analogue(scene, tag, found)
        if value is not None:
            text = shown(scene, value, unit)
        if tag.name.endswith(".probe") and tag.range is not None:
            steps += explain_sample.probe(scene, tag, found.verdict)
        differs = _seen_otherwise(scene, tag, value, found.verdict)
        if tag.name.endswith(".probe"):
            remarks = remarks + not_known(scene)
    elif tag.kind == "contact":
        steps += explain_signal.contact(scene, tag)
        remarks = remarks + not_known(scene)
        text = {None: "no value", 0: "open", 1: "closed"}.get(None if value is None else int(value), str(value))
    else:
        if tag.kind == "counter" and found.count is not None:
            steps.append(explain_meter.step_taken(scene, tag.target, found.count))
            steps.append(explain_meter.worth(scene, tag.target))
        text = "no value" if value is None else f"{num(value) if isinstance(value, int) else repr(value)}"
    return explained(
        scene,
        tag.name,
        _of(tag),
        value,
        unit,
        text,
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
