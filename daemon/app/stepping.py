"""Groups through the engine, plant changes included: the same way live, at start and in a replay. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
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


def advance_many(
    state: State | None, groups: Sequence[Group], plant_of: Callable[[int], Plant]
) -> tuple[State | None, list[GroupOutcome]]:
    """Step groups in order, those of one plant version together; the outcomes are those of `advance`, one by one."""
    outcomes: list[GroupOutcome] = []
    i = 0
    while i < len(groups):
        if state is None or groups[i].plant != state.version:
            state, outcome = advance(state, groups[i], plant_of)
            outcomes.append(outcome)
            i += 1
            continue
        end = i
        while end < len(groups) and groups[end].plant == state.version:
            end += 1
        state, some = step(state, groups[i:end])
        outcomes += some
        i = end
    return state, outcomes
