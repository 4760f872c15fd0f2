"""One group through the engine, plant changes included: the same way live, at start and in a replay. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from config.model import Plant
from daemon.core.outcome import GroupOutcome
from daemon.core.scan import Group
from daemon.engine import State, carry, start, step


def advance(state: State | None, group: Group, plant_of: Callable[[int], Plant]) -> tuple[State, GroupOutcome]:
    """Step one group; a group of another plant version carries the state over first.

    `state` None: a new plant, nothing known yet.
    """
    if state is None:
        state = start(plant_of(group.plant), group.plant)
    if group.plant == state.version:
        state, (outcome,) = step(state, (group,))
        return state, outcome
    state, removed, rows = carry(state, plant_of(group.plant), group.plant, group.at_ms)
    state, (outcome,) = step(state, (group,))
    return state, replace(outcome, journal=removed + outcome.journal, standing=rows + outcome.standing)
