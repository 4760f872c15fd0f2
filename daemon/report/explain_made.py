"""What every explanation of a reading shares: its head, its facts, what is not known, and the errors."""

from __future__ import annotations

from daemon.core.reasons import quality, words
from daemon.core.say import in_plant_units
from daemon.report.explain_parts import Explained, Step, num
from daemon.report.explain_past import Scene
from daemon.report.explain_signal import told


class ExplainError(Exception):
    """Nothing can be explained; the text says why and what is wanted."""


class Unknown(ExplainError):
    """There is no such tag."""


def not_known(scene: Scene, same: bool = False) -> list[str]:
    """What has to be said when the engine's state was worked out from a bounded stretch; `same`: the value came out."""
    since = scene.now.since_ms
    if since is None:
        return []
    found = (
        "they come to the stored value exactly"
        if same
        else "what was before that is not known to them. The value is as stored"
    )
    return [
        f"no engine state was kept from this time, and the store is long: the steps were worked out from "
        f"{scene.clock(since)} on; {found}"
    ]


def shown(scene: Scene, value: float | int, unit: str) -> str:
    number, written = in_plant_units(value, unit, scene.system)
    return f"{num(number)} {written}".rstrip()


def explained(
    scene: Scene,
    name: str,
    what: str,
    value: float | int | None,
    unit: str,
    text: str,
    reason: int,
    at_ms: int,
    asked_ms: int | None,
    steps: list[Step],
    remarks: list[str],
    differs: list[str],
) -> Explained:
    v = scene.version
    summary = [f"{text}, {told(reason)}"]
    if value is not None and (unit or (isinstance(value, float) and text == num(value))):
        summary.append(f"exactly {f'{value!r} {unit}'.rstrip()}, as stored")
    asked = "" if asked_ms is None or asked_ms == at_ms else f"; asked for {scene.clock(asked_ms)}"
    summary.append(f"at {scene.clock(at_ms)}{asked}")
    summary.append(
        f"group {scene.group.number}, by plant file version {v.version}, in force since {scene.clock(v.from_ms)}"
    )
    facts = {
        "tag": name,
        "value": value,
        "unit": unit,
        "shown": text,
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
