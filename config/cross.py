"""Every rule that spans values of a plant file, in one pass. Imports nothing of ours but `config`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from config.findings import Found
from config.model import Plant
from config.rules import house, limits, names, sampling, wiring
from config.rules.view import view

_RULES = (*names.RULES, *wiring.RULES, *limits.RULES, *sampling.RULES, *house.RULES)


def cross(plant: Plant, raw: Mapping[str, Any]) -> list[Found]:
    """All findings, of every level. `raw` is the file as TOML has it; paths are of `plant`."""
    v = view(plant, raw)
    return [found for rule in _RULES for found in rule(v)]
