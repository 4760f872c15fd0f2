"""How long to leave a silent module alone. Pure; imports nothing of ours.

A try at a silent module costs its link one timeout. Where that fits between the last answer of an instant and the next
instant at which a living neighbour is due, it costs nobody anything: such a module is tried at each of its instants.
Where it does not fit, tries are spaced so that silence takes at most a quarter of the link's time; with nobody else to
hurt, a try each timeout costs nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

LONGEST_S = 30.0
SHARE = 4


def wait_s(silences: int, timeout_s: float, silent: int, answering: int) -> float:
    """Real seconds from the instant of one try to the earliest next one that may make neighbours wait.

    `silences`: how many in a row so far; `silent`, `answering`: how many modules of the link are either.
    Grows from two timeouts, doubling, to `SHARE` timeouts for each silent module, and never beyond 30 s. Not from one:
    a line without transaction numbers leaves a silent module alone for another timeout, in which it may still answer,
    and a try before that would keep the line from its neighbours twice.
    """
    longest = SHARE * max(silent, 1) * timeout_s if answering else timeout_s
    grown = timeout_s * 2.0 ** min(max(silences, 1), 10)
    return min(grown, longest, LONGEST_S)


class Try(Enum):
    """What to do with a silent module at one of its instants."""

    NOW = "in its group"
    BESIDE = "after its group has closed: what it answers is not kept, but the next instant finds it answering"
    NONE = "left alone"


@dataclass(frozen=True, slots=True)
class Silent:
    """A silent module that is due. Instants and durations in one unit, whatever that is."""

    costs: float  # what a silence takes from its link
    rest: float  # the instant until which its driver would wait before it asks
    overdue: bool  # where no try ever fits, it is tried all the same (`wait_s`)
    keeps: bool  # what it answers must not be thrown away
    every: float  # its interval


def tries(silent: Sequence[Silent], free: float, closes: float, due: float) -> list[Try]:
    """For each silent module of one instant whether it is tried, those given first before the others.

    `free`: when the link has done with the living ones; `closes`: when the group does; `due`: when the next living
    neighbour is to be asked.
    """
    out = []
    begun = free
    for module in silent:
        end = max(free, module.rest) + module.costs
        fits = begun + module.costs <= due  # alone, at this instant or another like it: then it waits for its turn
        if end <= min(closes, due):
            out.append(Try.NOW)
        elif end <= due and not module.keeps:
            out.append(Try.BESIDE)
        elif not fits and module.overdue and (free == begun or end - begun <= module.every / SHARE):
            out.append(Try.NOW)
        else:
            out.append(Try.NONE)
            continue
        free = end
    return out
