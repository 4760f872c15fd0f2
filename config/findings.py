"""What is said about a plant file: findings, and the error that carries them.

Imports nothing of ours but `config.model`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from config.model import Plant

Level = Literal["error", "warning", "note"]
Path = tuple[str | int, ...]
"""Where a value sits: TOML keys, and the number (from 0) of an element of a list."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing about a plant file: where, which key, what was found, what is wanted.

    `line` counts from 1; 0 when there is no line to name (a file that is not there).
    `level`: with an error nothing starts; a warning takes something away from the job; a note tells.
    """

    file: str
    line: int
    key: str
    text: str
    level: Level = "error"

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        what = f"{self.key}: {self.text}" if self.key else self.text
        return f"{where}: {what}" if self.level == "error" else f"{where}: {self.level}: {what}"


class PlantFileError(Exception):
    """The plant file cannot be used; `findings` lists everything that is wrong with it."""

    def __init__(self, findings: list[Finding]) -> None:
        super().__init__("\n".join(map(str, findings)))
        self.findings = findings


@dataclass(frozen=True, slots=True)
class PlantText:
    """A plant with the text it was read from and that text's SHA-256."""

    plant: Plant
    text: str
    sha256: str
    file: str


@dataclass(frozen=True, slots=True)
class Found:
    """A finding before its line is known."""

    path: Path
    text: str
    level: Level = "error"


def key_text(path: Path, data: object) -> str:
    """A path as people name it: "boiler B1 conductivity.set_point"; a nameless element is "boiler 2" (from 1)."""
    words: list[str] = []
    dotted: list[str] = []
    here: object = data
    for step in path:
        here = _down(here, step)
        if isinstance(step, int):
            name = here.get("name") if isinstance(here, dict) else None
            words += [".".join(dotted), name if isinstance(name, str) and name.isprintable() else f"{step + 1}"]
            dotted = []
        else:
            dotted.append(step if step.isprintable() else repr(step))
    return " ".join([*words, ".".join(dotted)]).strip()


def _down(here: object, step: str | int) -> object:
    if isinstance(here, dict):
        return here.get(step)
    if isinstance(here, list | tuple) and isinstance(step, int) and 0 <= step < len(here):
        return here[step]
    return None
