"""How the volume in a tank came about from its level."""

from __future__ import annotations

from daemon.core.reasons import words
from daemon.core.tags import DerivedTag
from daemon.measure.tank_volume import TankSpec
from daemon.report.explain_parts import Step, num
from daemon.report.explain_past import Scene

SEGMENT = "V = volume (acos(1 - 2x) - 2 (1 - 2x) sqrt(x - x^2)) / pi, x = level / full"
GEOMETRY = "area of a circle's segment, flat ends"


def holds(spec: TankSpec) -> str:
    """How a tank's level tells its volume, in words."""
    if spec.form == "table":
        return f"by its table of {len(spec.table)} lines, straight between them"
    even = f"full at a level of {num(spec.full)}: {num(spec.volume * 1000)} L"
    return f"{even}, a lying cylinder" if spec.form == "horizontal" else f"{even}, even over its level"


def volume(scene: Scene, tag: DerivedTag) -> list[Step]:
    """Level to volume."""
    s = scene.now.state.cells.senses
    t = next(t for t in scene.now.state.programme.wiring.tanks if t.name == tag.target)
    i = next(k for k, x in enumerate(scene.plant.tanks) if x.name == tag.target)
    level, why = s.values[t.slot], s.reasons[t.slot]
    keys = ("shape", "volume") if scene.plant.tanks[i].shape is not None else ("volume",)
    source = "; ".join(f"{key}: {scene.places.where('tank', i, key)}" for key in keys)
    if level is None:
        return [Step("Level", (f"no value: {words(why)}",), source=scene.places.where("tank", i, "level"))]
    m3, outside = t.spec.holds(level)
    says = [holds(t.spec), *([words(outside)] if outside else [])]
    formula, worked = "V = volume x level / full", f"{num(t.spec.volume)} m3 x {num(level)} / {num(t.spec.full)}"
    if t.spec.form == "horizontal":
        formula, worked, source = SEGMENT, f"x = {num(level)} / {num(t.spec.full)}", f"{GEOMETRY}; {source}"
    elif t.spec.form == "table":
        formula, worked = "V = straight between the two lines around the level", f"level {num(level)}"
    return [Step("Level to volume", tuple(says), formula, f"{worked} = {scene.both(m3, tag.unit)}", source)]
