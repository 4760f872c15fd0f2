"""Types of modules put in place: a plant file's data with the channels of each module's `type` written out.

Lives here: where a type is found (in the plant file, else among those that come along), what a module takes from it,
and the way back from a written-out path to the place it was written at. Imports nothing of ours but `config`.
A type is TOML data until then, so that everything behind it (shape, rules, line numbers) sees ordinary modules.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path as FilePath
from typing import Any, Final

from config.findings import Found, Path

SHIPPED: Final = FilePath(__file__).parent / "module_types"
"""Types that come along, one a file, named as the file. Once released, one never changes: stored plants name it."""

_WAYS: Final = (
    *("max_registers", "max_bits", "gap", "answers_within"),
    *("pattern", "prompt", "ends", "checksum", "longest", "decimal"),
)
_LISTS: Final = ("never", "clear_on_read")  # what a module writes comes on top of what its type says


@dataclass(frozen=True, slots=True)
class Source:
    """Where a type is written: `file` "" for the plant file itself, and the path of its table there."""

    name: str
    file: str
    path: Path
    data: Mapping[str, Any]


@dataclass(slots=True)
class Expanded:
    """A plant file's data with types put in place, and the way back from a path in it to where that was written."""

    raw: dict[str, Any]
    slips: list[Found] = field(default_factory=list)  # what is wrong with types
    unsure: set[int] = field(default_factory=set)  # modules of which it is not known what channels they have
    modules: list[Any] = field(default_factory=list)  # as written
    sources: dict[int, Source] = field(default_factory=dict)  # by module
    taken: dict[tuple[int, str], str] = field(default_factory=dict)  # module and channel to the type's channel

    def source(self, path: Path) -> tuple[Source, Path] | None:
        """The type that what stands at a path was taken from, and the path in that type's file; None for none."""
        if len(path) < 3 or path[0] != "module" or not isinstance(path[1], int) or path[1] not in self.sources:
            return None
        source, key = self.sources[path[1]], str(path[2])
        if key == "channels" and len(path) > 3:
            name = self.taken.get((path[1], str(path[3])))
            return (source, (*source.path, "channels", name, *path[4:])) if name is not None else None
        if key in _LISTS and len(path) > 3 and isinstance(path[3], int):
            of_type = path[3] < len(_listed(source.data, key))
        else:
            of_type = key in _WAYS and key not in self.modules[path[1]] and key in source.data
        return (source, (*source.path, *path[2:])) if of_type else None

    def written(self, path: Path) -> Path:
        """The path in the plant file of what stands at a path of `raw`; for what a type gave, where it was asked."""
        if len(path) < 4 or not isinstance(path[1], int) or path[1] not in self.sources:
            return (*path[:2], "type") if self.source(path) is not None else path
        own = self.modules[path[1]].get(str(path[2]))
        if path[2] in _LISTS and isinstance(path[3], int):
            above = len(_listed(self.sources[path[1]].data, str(path[2])))
            return (*path[:2], "type") if path[3] < above else (*path[:3], path[3] - above, *path[4:])
        if self.source(path) is not None and not (isinstance(own, dict) and path[3] in own):
            return (*path[:2], "type")
        return path


def expand(raw: dict[str, Any]) -> Expanded:
    """The data of a plant file with types put in place. What is wrong in shape is left for the model to say."""
    modules = raw.get("module")
    if not isinstance(modules, list) or not any(isinstance(m, dict) and "type" in m for m in modules):
        return Expanded(raw)
    out = Expanded({**raw, "module": list(modules)}, modules=modules)
    for i, module in enumerate(modules):
        if isinstance(module, dict) and isinstance(module.get("type"), str):
            out.raw["module"][i] = _with_type(out, i, module, raw)
    return out


def shipped() -> tuple[str, ...]:
    """Names of the types that come along."""
    return tuple(sorted(p.stem for p in SHIPPED.glob("*.toml")))


def _with_type(out: Expanded, i: int, module: dict[str, Any], raw: Mapping[str, Any]) -> dict[str, Any]:
    source = _source(module["type"], raw)
    if source is None:
        out.unsure.add(i)
        out.slips.append(Found(("module", i, "type"), _no_type(module["type"], raw)))
        return module
    of_type, own = source.data.get("channels"), module.get("channels", {})
    if not isinstance(of_type, dict) or not isinstance(own, dict):
        out.unsure.add(i)
        return module
    out.sources[i] = source
    made = {key: source.data[key] for key in _WAYS if key in source.data} | module
    for key in _LISTS:
        if (listed := _listed(source.data, key)) and isinstance(module.get(key, []), list):
            made[key] = [*listed, *module.get(key, [])]
    made["channels"] = _channels(out, i, of_type, own, module.get("leave_out"))
    return made


def _channels(out: Expanded, i: int, of_type: dict[str, Any], own: dict[str, Any], leave_out: object) -> dict[str, Any]:
    """The type's channels in its order, under the module's names for them, then the module's own."""
    unwanted = [n for n in leave_out if isinstance(n, str)] if isinstance(leave_out, list) else []
    for k, name in enumerate(unwanted):
        if name not in of_type:
            out.slips.append(Found(("module", i, "leave_out", k), _no_channel(out.sources[i], name, of_type)))
    renamed: dict[str, str] = {}  # the type's name to ours
    made: dict[str, Any] = {}
    for name, written in own.items():
        if isinstance(written, str):
            if written not in of_type:
                out.unsure.add(i)
                out.slips.append(Found(("module", i, "channels", name), _no_channel(out.sources[i], written, of_type)))
            elif written in renamed:
                out.slips.append(
                    Found(
                        ("module", i, "channels", name),
                        f'"{written}" is {renamed[written]} already; wants one name for each channel',
                    )
                )
            else:
                renamed[written] = name
    for name, channel in of_type.items():
        ours = renamed.get(name, name)
        if name in unwanted or (ours == name and name in own and name not in renamed):
            continue
        made[ours] = channel
        out.taken[i, ours] = name
    return made | {name: written for name, written in own.items() if not isinstance(written, str)}


def _source(name: str, raw: Mapping[str, Any]) -> Source | None:
    own = raw.get("module_type")
    for k, data in enumerate(own if isinstance(own, list) else []):
        if isinstance(data, dict) and data.get("name") == name:
            return Source(name, "", ("module_type", k), data)
    if name in shipped():
        data = tomllib.loads(shipped_text(name))["module_type"][0]
        return Source(name, f"config/module_types/{name}.toml", ("module_type", 0), data)
    return None


@cache
def shipped_text(name: str) -> str:
    """The text of a type that comes along."""
    return (SHIPPED / f"{name}.toml").read_text("utf-8")


def _listed(data: Mapping[str, Any], key: str) -> list[Any]:
    found = data.get(key)
    return found if isinstance(found, list) else []


def _no_type(name: str, raw: Mapping[str, Any]) -> str:
    from config.plainly import meant

    own = raw.get("module_type")
    here = [d["name"] for d in (own if isinstance(own, list) else []) if isinstance(d, dict) and _named(d)]
    known = [*here, *shipped()]
    listed = f"of this file: {', '.join(here)}; that come along: " if here else "those that come along: "
    return f'there is no module type "{name}"{meant(name, known)}; {listed}{", ".join(shipped())}'


def _named(data: Mapping[str, Any]) -> bool:
    return isinstance(data.get("name"), str)


def _no_channel(source: Source, name: str, of_type: Mapping[str, Any]) -> str:
    from config.plainly import meant

    where = f" ({source.file})" if source.file else ""
    return (
        f'module type {source.name}{where} has no channel "{name}"{meant(name, of_type)}; '
        f"it has {', '.join(map(str, of_type))}"
    )
