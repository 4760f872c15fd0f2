"""A result entered by hand explained: what was entered, by whom, when it was taken and when entered."""

from __future__ import annotations

from collections.abc import Iterator

from daemon.core.outcome import ManualReading
from daemon.core.say import minutes
from daemon.measure.manual import withdrawn_act
from daemon.report.explain_parts import Explained, Step, num
from daemon.report.explain_past import Scene

EARLIER = 5  # results told beside the one that is asked for


def name_of(m: ManualReading) -> str:
    """The name a result goes by: "B1.hardness"."""
    return f"{m.target}.{m.what.replace(' ', '_')}" if m.target else m.what.replace(" ", "_")


def names(scene: Scene) -> Iterator[str]:
    """The names of all results entered up to the scene's instant, each once."""
    yield from dict.fromkeys(name_of(m) for m in scene.reader.manual(None, scene.group.at_ms + 1))


def explain_manual(scene: Scene, name: str, asked_ms: int | None, remarks: list[str]) -> Explained | None:
    """The last result of a name taken at or before the scene's instant, None when there is none."""
    until = scene.group.at_ms if asked_ms is None else asked_ms
    found = [m for m in scene.reader.manual(None, until + 1) if name_of(m).casefold() == name.casefold()]
    gone = {withdrawn_act(x.note) for x in found}
    found = [x for x in found if withdrawn_act(x.note) is None and x.act not in gone]
    if not found:
        return None
    m = found[-1]
    act = next((a for a in scene.reader.acts(m.taken_ms, None) if a.act.number == m.act), None)
    act = act or next((a for a in scene.reader.acts(None, m.taken_ms) if a.act.number == m.act), None)
    says = [f"{num(m.value)} {m.unit}, as entered; taken at {scene.clock(m.taken_ms)}"]
    if act is not None:
        late = act.act.received_ms - m.taken_ms
        after = f", {minutes(late)} after it was taken" if late > 0 else ""
        says.append(f"entered by {act.act.by} at {scene.clock(act.act.received_ms)} (act {m.act}){after}")
    else:
        says.append(f"by act {m.act}, which is not in this log")
    if m.note:
        says.append(m.note)
    steps = [Step("Entered by hand", tuple(says), source="records of results in the log")]
    if before := found[:-1][-EARLIER:]:
        rows = tuple(f"{scene.clock(x.taken_ms)}  {num(x.value)} {x.unit}" for x in reversed(before))
        steps.append(Step("Earlier results", rows=rows))
    facts = {
        "tag": name_of(m),
        "value": m.value,
        "unit": m.unit,
        "shown": f"{num(m.value)} {m.unit}",
        "at_ms": m.taken_ms,
        "asked_ms": asked_ms,
        "act": m.act,
        "by": act.act.by if act else "",
        "note": m.note,
    }
    age = minutes(max(0, until - m.taken_ms))
    summary = (f"{num(m.value)} {m.unit}, entered by hand", f"taken at {scene.clock(m.taken_ms)}, {age} before")
    return Explained(f"{name_of(m)}: a result entered by hand", summary, facts, tuple(steps), tuple(remarks))
