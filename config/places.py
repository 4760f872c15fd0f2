"""Where in a plant file's text each of its values stands: for explanations, which name the line of every figure.

Imports nothing of ours but `config`. Loads tree-sitter, so nothing that starts the service uses it.
"""

from __future__ import annotations

import tomllib
from typing import Any

from config.expand import expand, shipped_text
from config.findings import Path
from config.lines import Lines


class Places:
    """The lines of one plant file; paths are TOML keys and numbers (from 0), as in findings."""

    def __init__(self, text: str) -> None:
        self._lines = Lines(text)
        self._whole = expand(tomllib.loads(text))

    def given(self, *path: str | int) -> bool:
        """True when the value at a path is written in the file, or in the module type it asks for."""
        here: Any = self._whole.raw
        for step in path:
            inside = range(len(here)) if isinstance(here, list) else here if isinstance(here, dict) else ()
            if step not in inside:
                return False
            here = here[step]
        return True

    def where(self, *path: str | int) -> str:
        """ "plant file line 38"; of what a module type gave, the type's line too."""
        text = f"plant file line {self._lines.of(self._written(path))}"
        source = self._whole.source(path)
        if source is None:
            return text
        origin, inside = source
        line = (Lines(shipped_text(origin.name)) if origin.file else self._lines).of(inside)
        return f"{text} (module type {origin.name}, {origin.file or 'the same file'} line {line})"

    def or_default(self, *path: str | int) -> str:
        """As `where`; for what is not written, that it is the program's own figure."""
        return self.where(*path) if self.given(*path) else "not written: default (common practice, no source)"

    def _written(self, path: Path) -> Path:
        return self._whole.written(path)
