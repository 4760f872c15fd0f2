"""A plant file to a Plant, or every error in it at once, each with its line.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from config.model import Plant


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing about a plant file: where, which key, what was found, what is wanted."""

    file: str
    line: int
    key: str
    text: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.key}: {self.text}"


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


def load(path: Path) -> PlantText:
    """Read and check a plant file. Raises PlantFileError with every finding; OSError when unreadable."""
    return loads(path.read_text("utf-8"), str(path))


def loads(text: str, file: str = "plant.toml") -> PlantText:
    """As `load`, from text."""
    try:
        plant = Plant.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as e:
        raise PlantFileError([Finding(file, 0, "", str(e))]) from e
    except ValidationError as e:
        raise PlantFileError(
            [Finding(file, 0, ".".join(map(str, x["loc"])), x["msg"]) for x in e.errors(include_url=False)]
        ) from e
    return PlantText(plant, text, hashlib.sha256(text.encode()).hexdigest(), file)
