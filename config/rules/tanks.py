"""Tanks and water levels: whether a level tells a volume, and what levels cannot tell.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from config.findings import Found, Path
from config.model import Tank
from config.rules.view import View
from config.tank import LEVEL_KINDS, Shape
from config.units import shown


def volumes(v: View) -> Iterator[Found]:
    """The level of a tank tells its volume by its shape."""
    for i, t in enumerate(v.plant.tanks):
        path: Path = ("tank", i)
        if t.shape is not None:
            yield from _shape((*path, "shape"), t, t.shape, v)
        elif t.level is None:
            continue
        elif t.level.range.kind == "ratio":
            yield Found(
                path,
                f"no shape: the volume in {t.name} is taken as even over its level, as in an upright tank. For a lying "
                'cylinder write shape = { form = "horizontal" }',
                "note",
            )
        elif t.level.range.kind in ("length", "pressure"):
            yield Found(
                path,
                f"no shape: the volume in {t.name} is not known. Write shape = {{ form = ... }}: upright with its "
                "height, horizontal with its diameter, or a table",
                "note",
            )


def unjudged(v: View) -> Iterator[Found]:
    """A tank is told low or empty by a level that can be set against a full one."""
    for i, t in enumerate(v.plant.tanks):
        if t.low is not None and not t.tells_volume:
            wants = "its level" if t.level is None else "a shape, with the level at which it is full"
            yield Found(
                ("tank", i, "low"), f"not judged: {t.name} is never told low or empty; wants {wants}", "warning"
            )
        elif t.low is None and t.tells_volume:
            yield Found(
                ("tank", i),
                f'not judged: {t.name} is told empty, and never low; wants low, like low = "15 %"',
                "note",
            )


def _shape(path: Path, t: Tank, s: Shape, v: View) -> Iterator[Found]:
    for key, form in (("height", "upright"), ("diameter", "horizontal"), ("table", "table")):
        if getattr(s, key) and s.form != form:
            yield Found((*path, key), f"says nothing of a tank whose form is {s.form}; wants {form}, or none")
    if t.level is None:
        yield Found(path, "says nothing without a level", "note")
        return
    kind = t.level.range.kind
    if kind not in LEVEL_KINDS:
        yield Found(path, f"says nothing beside a level in {t.level.range.unit or 'no unit'}; wants it taken out")
    elif s.form == "table":
        yield from _table((*path, "table"), t, s, kind, v)
    elif kind != "ratio" and s.full is None:
        key = "height" if s.form == "upright" else "diameter"
        yield Found(path, f'a level in {t.level.range.unit} wants the {key} of the tank, like {key} = "1.2 m"')


def _table(path: Path, t: Tank, s: Shape, kind: str, v: View) -> Iterator[Found]:
    if len(s.table) < 2:
        yield Found(path, 'wants two lines at least, like ["0 in = 0 gal", "40 in = 55 gal"]')
        return
    for k, p in enumerate(s.table):
        if p.kind != ("ratio" if kind == "ratio" else "length"):
            yield Found((*path, k), "wants its level in % or as a length, as the range of the level has it")
    for k, (a, b) in enumerate(pairwise(s.table), 1):
        if b.level <= a.level or b.volume < a.volume:
            yield Found((*path, k), "wants a level above that of the line before it, and no less volume")
    if s.table[-1].volume > t.volume * 1.02:
        system = v.plant.plant.units
        yield Found(
            (*path, len(s.table) - 1),
            f"{shown(s.table[-1].volume, 'volume', system)} is more than the tank's volume, "
            f"{shown(t.volume, 'volume', system)}; check both",
        )


def water_levels(v: View) -> Iterator[Found]:
    """An analogue water level is recorded; a contact tells low water."""
    for i, b in enumerate(v.plant.boilers):
        if b.water_level is not None and b.low_water is None:
            yield Found(
                ("boiler", i, "water_level"),
                f"the level of {b.name} is recorded and shown; low water is told by a low_water contact alone, and "
                "none is wired",
                "warning",
            )


RULES = (volumes, unjudged, water_levels)
