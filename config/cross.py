"""Every rule that spans values of a plant file, in one pass. Imports nothing of ours but `config`."""

from __future__ import annotations

from config.expand import Expanded
from config.findings import Found
from config.model import Plant
from config.rules import (
    blind,
    by_hand,
    house,
    limits,
    metering,
    modules,
    names,
    published,
    rota,
    sampling,
    solids,
    tanks,
    text,
    water,
    wiring,
)
from config.rules.view import view

_RULES = (
    *names.RULES,
    *wiring.RULES,
    *modules.RULES,
    *text.RULES,
    *limits.RULES,
    *published.RULES,
    *solids.RULES,
    *sampling.RULES,
    *metering.RULES,
    *tanks.RULES,
    *by_hand.RULES,
    *house.RULES,
    *rota.RULES,
    *water.RULES,
    *blind.RULES,
)


def cross(plant: Plant, whole: Expanded) -> list[Found]:
    """All findings, of every level. `whole` is the file as TOML has it, types put in place; paths are of `plant`."""
    v = view(plant, whole.raw, frozenset(whole.unsure))
    return [found for rule in _RULES for found in rule(v)]
