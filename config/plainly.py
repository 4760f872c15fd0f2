"""What pydantic found wrong, in plain words: what was found and what is wanted.

Imports nothing of ours but `config`. Only loaded when a plant file has an error.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from types import UnionType
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from config import units
from config.findings import Found, Path
from config.model import Plant

_FORMS: Final[Mapping[str, str]] = {
    r"^[A-Za-z][A-Za-z0-9_-]{0,39}$": "a name: a letter first, then letters, digits, _ or -, 40 at most",
    r"^[A-Za-z][A-Za-z0-9_-]*\.[A-Za-z][A-Za-z0-9_-]*$": 'module.channel, like "ai.b1_cond"',
    r"^[A-Za-z_][A-Za-z0-9_]*$": 'the name of a field of the pattern, like "cond"',
    r"^[^@\s<>]+@[^@\s<>]+$": 'a mail address, like "oncall@quillmarsh.example"',
    r"^[0-2]\d:[0-5]\d\.\.[0-2]\d:[0-5]\d$": 'two times of day, like "05:30..06:30"',
}
_TYPES: Final[Mapping[str, str]] = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "finite_number": "a finite number",
    "bool_type": "true or false",
}


def plainly(error: ValidationError) -> list[Found]:
    """Every error of a validation of `Plant`, once each."""
    errors = error.errors(include_url=False)
    paths = [_path(e["loc"]) for e in errors]
    out: list[Found] = []
    for e, path in zip(errors, paths, strict=True):
        if e["type"] == "too_short" and any(p != path and p[: len(path)] == path for p in paths):
            continue  # its elements were refused, each with its own reason
        out.append(Found(path, _words(e, path)))
    return out


def _path(loc: tuple[int | str, ...]) -> Path:
    return tuple(step for step in loc if step != "[key]")


def _words(e: Any, path: Path) -> str:
    kind, found, ctx = e["type"], e["input"], e.get("ctx", {})
    if kind == "extra_forbidden":
        return _unknown(path)
    if kind == "missing":
        return f"missing; wants {_wanted(path)}"
    if kind == "too_short":
        name = path[-1] if path else ""
        if len(path) == 1:
            return f"wants at least one [[{name}]]; found none"
        return "wants at least one entry; found none"
    if kind == "value_error":
        return str(ctx["error"])
    if kind == "literal_error":
        options = _options(_type_at(path))
        return f"wants one of {', '.join(options)}; found {found_text(found)}{meant(found, options)}"
    if kind == "string_pattern_mismatch":
        return f"wants {_FORMS.get(ctx['pattern'], ctx['pattern'])}; found {found_text(found)}"
    if kind in ("greater_than_equal", "less_than_equal"):
        return f"wants {_bounds(path)}; found {found_text(found)}"
    if kind in ("model_type", "dict_type"):
        return f"wants {_wanted(path)}; found {found_text(found)}"
    if kind == "tuple_type":
        return f"wants {_wanted(path)}; found {found_text(found)}"
    if kind in _TYPES:
        return f"wants {_TYPES[kind]}; found {found_text(found)}"
    return f"{e['msg']}; found {found_text(found)}"


def _unknown(path: Path) -> str:
    key = str(path[-1])
    above = _type_at(path[:-1])
    known = known_keys(above) if isinstance(above, type) and issubclass(above, BaseModel) else []
    elsewhere = "" if (near := meant(key, known)) else _belongs(key, above)
    return f"unknown key {_tick(key)}{near}{elsewhere}; known here: {', '.join(known)}"


def _belongs(key: str, above: object) -> str:
    """Where else the file has such a key: the usual slip is a key under the wrong header."""
    above_keys = known_keys(above)
    inside = [name for name in above_keys if key in known_keys(_bare(_field(above, name)))]
    if inside:
        return f"; it belongs in {' or '.join(inside)}"
    homes = [_header(name) for name in known_keys(Plant) if key in known_keys(_type_at((name, 0)))]
    if key in known_keys(Plant):
        return f"; {_header(key)} is a table of its own"
    return f"; it belongs in {' or '.join(homes)}" if homes else ""


def _header(key: str) -> str:
    return f"[[{key}]]" if get_origin(_bare(_field(Plant, key))) is tuple else f"[{key}]"


def meant(found: object, options: Iterable[str]) -> str:
    """ "; did you mean `flush`?" when one of the options is near, else ""."""
    if not isinstance(found, str):
        return ""
    options = list(options)
    folded = {o.lower(): o for o in options}
    near = difflib.get_close_matches(found.lower(), folded, n=1, cutoff=0.6)
    return f"; did you mean {_tick(folded[near[0]])}?" if near else ""


def found_text(value: object) -> str:
    """A value as the file would have it, shortened."""
    if isinstance(value, dict):
        return "a table" if value else "an empty table"
    if isinstance(value, list | tuple):
        return "a list" if value else "an empty list"
    return units.found_text(value)


def _tick(key: str) -> str:
    return f"`{key if key.isprintable() else json.dumps(key)}`"


def known_keys(model: object) -> list[str]:
    """The keys a part of the plant takes, as the file spells them; none for what is no part."""
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        return []
    return [field.alias or name for name, field in model.model_fields.items()]


def _wanted(path: Path) -> str:
    """What a missing key wants: its type in words, with an example where the model has one."""
    kind = _type_at(path)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        example = getattr(kind, "example", "")
        return f'text like "{example}"' if example else f"a table with {', '.join(_required(kind))}"
    if options := _options(kind):
        return f"one of {', '.join(options)}"
    for part in _parts(_raw_type_at(path)):
        schema = getattr(part, "json_schema", None)
        if isinstance(schema, dict) and (examples := schema.get("examples")):
            return f'text with a unit, like "{examples[0]}"'
        if (form := _FORMS.get(str(getattr(part, "pattern", "")))) is not None:
            return form
    if get_origin(kind) is tuple:
        part = _bare(get_args(kind)[0])
        if isinstance(part, type) and issubclass(part, BaseModel):
            return f"[[{path[-1]}]], each with {', '.join(_required(part))}"
        return 'a list, like ["B1", "B2"]'
    names: dict[object, str] = {str: "text in quotes", int: "a whole number", float: "a number", bool: "true or false"}
    return names.get(kind, "a table")


def _required(model: type[BaseModel]) -> list[str]:
    return [f.alias or n for n, f in model.model_fields.items() if f.is_required()] or known_keys(model)


def _bounds(path: Path) -> str:
    low = high = None
    for part in _parts(_raw_type_at(path)):
        low, high = getattr(part, "ge", low), getattr(part, "le", high)
    if low is None or high is None:
        return f"at least {low}" if low is not None else f"at most {high}"
    return f"{low} to {high}"


def _parts(annotation: Any) -> list[Any]:
    """All that is said about a type: unions opened, annotations with what they hold."""
    out: list[Any] = []
    if get_origin(annotation) in (Union, UnionType):
        for arg in get_args(annotation):
            out += _parts(arg)
    elif get_origin(annotation) is Annotated:
        base, *rest = get_args(annotation)
        out += _parts(base)
        for part in rest:
            out += getattr(part, "metadata", None) or [part]
    return out


def _field(model: object, key: str | int) -> Any:
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        return None
    for name, field in model.model_fields.items():
        if (field.alias or name) == key:
            base = field.annotation
            return Annotated[base, *field.metadata] if field.metadata and base is not None else base
    return None


def _raw_type_at(path: Path) -> Any:
    here: Any = Plant
    for step in path:
        bare = _bare(here)
        if get_origin(bare) is tuple and isinstance(step, int):
            here = get_args(bare)[0]
        elif get_origin(bare) is dict:
            here = get_args(bare)[1]
        else:
            here = _field(bare, step)
    return here


def _type_at(path: Path) -> Any:
    """The type the model has at a path, bare; None where it has none (a 0 after a lone table is let be)."""
    return _bare(_raw_type_at(path[:-1] if path and path[-1] == 0 and _is_table(path[:-1]) else path))


def _is_table(path: Path) -> bool:
    return get_origin(_bare(_raw_type_at(path))) is not tuple


def _bare(annotation: Any) -> Any:
    """Without Annotated and `| None`."""
    if get_origin(annotation) is Annotated:
        return _bare(get_args(annotation)[0])
    if get_origin(annotation) in (Union, UnionType):
        rest = [a for a in get_args(annotation) if a is not type(None)]
        return _bare(rest[0]) if len(rest) == 1 else annotation
    return annotation


def _options(kind: Any) -> list[str]:
    return [str(o) for o in get_args(kind)] if get_origin(kind) is Literal else []
