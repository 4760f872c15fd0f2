"""A plant file without the parts that are wrong in shape, so that what is left can be cross-checked too.

Imports nothing of ours but `config`. Only loaded when a plant file has an error.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

from pydantic import Field, ValidationError

from config.findings import Path
from config.model import Link, Module, Plant, Site


class _Rest(Plant):
    """A plant that may have lost its last link, its last module, or its name."""

    plant: Site = Site(name="", zone="UTC")
    links: tuple[Link, ...] = Field(alias="link", default=())
    modules: tuple[Module, ...] = Field(alias="module", default=())


# What stands in for a required value that is missing or wrong, so that its part is looked at all the same: valid, and
# such that no rule finds fault with anything but the value itself, which has its own finding already.
_STAND_INS: dict[str, object] = {
    "boiler.pressure": "1 barg",
    "meter.measures": "other",
    "meter.pulse": "1 m3",
    "meter.k_factor": "1 pulse/m3",
    "meter.max_rate": "0.001 m3/h",
    "meter.serves": [],
    "tank.volume": "1 m3",
    "tank.serves": [],
    "chemical.serves": [],
    "person.name": "",
    "person.mail": "a@b",
    "module.link": "unknown",
}


def pruned(
    raw: dict[str, Any], error: ValidationError, context: dict[str, float]
) -> tuple[Plant | None, Callable[[Path], Path]]:
    """What can be validated of `raw`, None when too little; and paths of it as paths of `raw`.

    A wrong or unknown key is taken out; where a key is missing, or a part is wrong as a whole, the part it belongs to.
    """
    left = copy.deepcopy(raw)
    numbers = {key: list(range(len(part))) for key, part in left.items() if isinstance(part, list)}

    def origin(path: Path) -> Path:
        if len(path) > 1 and isinstance(path[1], int) and path[0] in numbers:
            return (path[0], numbers[str(path[0])][path[1]], *path[2:])
        return path

    for _ in range(20):
        gone = {_goes(e["loc"], e["type"]) for e in error.errors(include_url=False)}
        if () in gone:
            break
        for path in sorted(gone, key=lambda p: [(isinstance(s, int), s if isinstance(s, int) else 0) for s in p])[::-1]:
            _take(left, path, numbers)
        try:
            data = _tuples(left)
            return _Rest.model_validate(data, strict=True, by_alias=True, by_name=False, context=context), origin
        except ValidationError as e:
            error = e
    return None, origin


def _goes(loc: tuple[int | str, ...], kind: str) -> Path:
    path = tuple(step for step in loc if step != "[key]")
    return path[:-1] if kind == "missing" and _key(path) not in _STAND_INS else path


def _key(path: Path) -> str:
    return f"{path[0]}.{path[2]}" if len(path) == 3 else ""


def _take(left: Any, path: Path, numbers: dict[str, list[int]]) -> None:
    for step in path[:-1]:
        try:
            left = left[step]
        except (KeyError, IndexError, TypeError):
            return
    last = path[-1]
    if isinstance(left, dict):
        if _key(path) in _STAND_INS:
            left[str(last)] = copy.copy(_STAND_INS[_key(path)])
        else:
            left.pop(last, None)
    elif isinstance(left, list) and isinstance(last, int) and last < len(left):
        del left[last]
        if len(path) == 2:
            del numbers[str(path[0])][last]


def _tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _tuples(v) for k, v in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value
