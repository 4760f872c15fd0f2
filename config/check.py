"""Everything that can be said about a plant file that loads: warnings and notes, each with its line.

Imports nothing of ours but `config`. `load` has refused what is an error; `check` says what is left.
"""

from __future__ import annotations

import tomllib

from config.cross import cross
from config.expand import expand
from config.findings import Finding, PlantText
from config.load import place


def check(text: PlantText) -> list[Finding]:
    """All findings about a plant file, in the order of the file. A plant from `load` gives warnings and notes only."""
    whole = expand(tomllib.loads(text.text))
    return place(cross(text.plant, whole), text.text, whole, text.file)
