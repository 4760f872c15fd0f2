"""What a recording of counts cannot carry by itself: acts, plant versions, breaks in time, and the starting state.

Lives here: the acts file (JSON lines) and the state file (one line of JSON, then the state in base64). Both are
written by a raw export and read by a replay. May import: config, daemon.core.

Lines of the acts file, `row` counting the recording's rows from 1:
    {"plant": 3, "text": "..."}                             a plant version and its file
    {"row": 1, "number": 812, "segment": 4, "elapsed_ms": 99000, "gap_ms": 0, "plant": 3}
    {"row": 9, "act": 17, "kind": "ack", "by": "Kim", "received_ms": 1790000000000, "body": {"number": 1042}}
A "number" line stands where a row is not plainly the next one: the first, after a break, at a new plant version.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from config.load import PlantFileError, loads
from config.model import Plant
from daemon.core.scan import Act
from daemon.report.files import replacing


class CarriedError(ValueError):
    """An acts or state file that cannot be used; names file, line and what is wanted."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Where a row stands among the stored groups."""

    number: int
    segment: int
    elapsed_ms: int
    gap_ms: int
    plant: int


@dataclass(frozen=True, slots=True)
class Carried:
    """An acts file, read: by row number."""

    plants: Mapping[int, Plant] = field(default_factory=lambda: MappingProxyType({}))
    texts: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}))
    marks: Mapping[int, Mark] = field(default_factory=lambda: MappingProxyType({}))
    acts: Mapping[int, tuple[Act, ...]] = field(default_factory=lambda: MappingProxyType({}))
    left_out: int = 0  # acts that name alarms by their numbers, where those mean nothing


def by_another(carried: Carried, version: int) -> Carried:
    """The same breaks in time and acts for a plant file of its own, numbered `version`, that holds throughout.

    Acts that name an alarm by its number are left out: under another file the numbers are others.
    """
    acts = {row: tuple(a for a in found if not _NUMBERED & set(a.body)) for row, found in carried.acts.items()}
    left = sum(map(len, carried.acts.values())) - sum(map(len, acts.values()))
    return Carried(marks={row: replace(m, plant=version) for row, m in carried.marks.items()}, acts=acts, left_out=left)


_NUMBERED = frozenset({"occurrence"})


@dataclass(frozen=True, slots=True)
class StartState:
    """The engine's state before the first row, as bytes this room does not look into."""

    format: int
    plant: int
    group: int  # the last group it holds
    body: bytes


def plant_line(version: int, text: str) -> str:
    return _line({"plant": version, "text": text})


def mark_line(row: int, mark: Mark) -> str:
    return _line(
        {
            "row": row,
            "number": mark.number,
            "segment": mark.segment,
            "elapsed_ms": mark.elapsed_ms,
            "gap_ms": mark.gap_ms,
            "plant": mark.plant,
        }
    )


def act_line(row: int, act: Act) -> str:
    return _line(
        {
            "row": row,
            "act": act.number,
            "kind": act.kind,
            "by": act.by,
            "received_ms": act.received_ms,
            "body": dict(act.body),
        }
    )


def _line(record: Mapping[str, Any]) -> str:
    return json.dumps(record, ensure_ascii=False, separators=(",", ":")) + "\n"


def read_acts(path: Path) -> Carried:
    """Read an acts file. CarriedError names the line that is wrong; OSError when it is unreadable."""
    with path.open(encoding="utf-8") as file:
        return acts_of(file, str(path))


def acts_of(lines: Iterable[str], name: str) -> Carried:
    """As `read_acts`, from lines."""
    plants: dict[int, Plant] = {}
    texts: dict[int, str] = {}
    marks: dict[int, Mark] = {}
    acts: dict[int, list[Act]] = {}
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            record = json.loads(line)
            if "text" in record:
                version = int(record["plant"])
                texts[version] = str(record["text"])
                where = f"{name} line {number}: plant version {version}"
                plants[version] = loads(texts[version], where, rules=False).plant
            elif "number" in record:
                keys = ("number", "segment", "elapsed_ms", "gap_ms", "plant")
                marks[int(record["row"])] = Mark(*(int(record[k]) for k in keys))
            elif "act" in record:
                act = Act(
                    int(record["act"]),
                    str(record["kind"]),
                    str(record["by"]),
                    int(record["received_ms"]),
                    MappingProxyType(dict(record["body"])),
                )
                acts.setdefault(int(record["row"]), []).append(act)
            else:
                raise KeyError("text, number or act")
        except PlantFileError as e:
            raise CarriedError(f"{name}, line {number}: the plant file in it cannot be read: {e}") from e
        except (ValueError, TypeError, KeyError, AttributeError) as e:
            raise CarriedError(
                f"{name}, line {number}: wants one JSON record of a plant, a row's number or an act, as a raw export "
                f"writes them; found {line.strip()[:60]!r} ({type(e).__name__}: {e})"
            ) from e
    return Carried(plants, texts, marks, {row: tuple(found) for row, found in acts.items()})


def write_state(path: Path, state: StartState) -> None:
    """Write a state file under a temporary name, then give it its own."""
    head = _line({"format": state.format, "plant": state.plant, "group": state.group, "bytes": len(state.body)})
    with replacing(path) as part:
        part.write_text(head + base64.b64encode(state.body).decode("ascii") + "\n", "ascii")


def read_state(path: Path) -> StartState:
    """Read a state file. CarriedError when it is not one or is cut short; OSError when it is unreadable."""
    try:
        head, _, rest = path.read_text("utf-8").partition("\n")
        record = json.loads(head)
        state = StartState(
            int(record["format"]),
            int(record["plant"]),
            int(record["group"]),
            base64.b64decode(rest.strip(), validate=True),
        )
        if len(state.body) != int(record["bytes"]):
            raise ValueError(f"{len(state.body)} of {record['bytes']} bytes are there")
    except (ValueError, TypeError, KeyError) as e:
        raise CarriedError(f"{path}: wants a state file as a raw export writes it ({type(e).__name__}: {e})") from e
    return state
