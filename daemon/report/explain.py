"""How a number came about, step by step, from what is stored: which tag and which poll are meant.

Pure but for the reader it is given. May import: config, daemon.core, daemon.measure, daemon.alarms, daemon.engine,
daemon.store, this room. The number itself is what was stored; the steps are worked out again by the engine's own
functions, and where they give something else, that is said (`differs`).
"""

from __future__ import annotations

import difflib
from typing import Final

from daemon.core.say import minutes
from daemon.core.tags import RawTag, derived_tags, raw_tags
from daemon.report import explain_signal
from daemon.report.explain_derived import NO_VALUE_WHEN_BAD, explain_derived
from daemon.report.explain_made import ExplainError, Unknown
from daemon.report.explain_manual import explain_manual
from daemon.report.explain_manual import names as manual_names
from daemon.report.explain_parts import Explained, listed
from daemon.report.explain_past import DAY, NEAR, Past, Scene
from daemon.report.explain_raw import explain_raw

AGAIN_MS: Final = 60_000  # a time this little past the last stored group is meant as now


def explain_tag(past: Past, name: str, at_ms: int | None) -> Explained:
    """Explain a tag as it was at `at_ms` (UTC; None: the newest). ExplainError, Unknown."""
    scene, remarks = scene_at(past, at_ms)
    raw = _signal(scene, name)
    if raw is not None:
        return explain_raw(Scene(past.reaching(NEAR), scene.stored), raw, at_ms, remarks)
    derived = next((t for t in derived_tags(scene.plant) if t.name == name), None)
    if derived is None:
        entered = explain_manual(scene, name, at_ms, remarks)
        if entered is None:
            raise Unknown(_no_tag(scene, name))
        return entered
    if derived.what in ("total", "mass"):  # what was before is in the value stored before
        scene = Scene(past if past.whole(scene.group.number) else past.reaching(NEAR), scene.stored)
    elif derived.what not in NO_VALUE_WHEN_BAD:
        scene = Scene(past.reaching(DAY), scene.stored)
    return explain_derived(scene, derived, at_ms, remarks)


def _signal(scene: Scene, name: str) -> RawTag | None:
    """A signal by its tag, or by its channel's name."""
    found = explain_signal.raw_tag(scene, name)
    return found or next((t for t in raw_tags(scene.plant) if t.ref == name), None)


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
    names += [n for n in manual_names(scene) if n not in names]
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
