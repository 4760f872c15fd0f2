"""Channels of a module joined into the cheapest requests that hold them.

Lives here: what may share a request, and the least cost of all ways to share. Pure. May import: config,
drivers.contract, drivers.modbus. One request holds values whole, is no longer than the specification (MODBUS
Application Protocol V1.1b3, 6.1 to 6.4) and the module allow, crosses no gap wider than the module's `gap`, touches
nothing of its `never`, and nothing of its `clear_on_read` that none of its own channels reads. A request that reads a
clear-on-read register crosses no gap at all: it is then never asked a second time in smaller parts when it is refused.

Why the result is the optimum over all ways to share channels out among requests, not just those tried. Functions are
apart. Of one function, let a request be any set of channels; its cost grows with the stretch of addresses from the
first to the last of them, and with nothing else. Take the requests of an optimum.
1. A channel that lies within another may move to the request of that one: no stretch grows, no gap appears in it. So
   only the channels that lie in no other matter; in order of address their beginnings and their ends both ascend.
   (Channels that share a clear-on-read address are one to begin with: `config.reach`.)
2. Take the request A whose last address is the lowest. Another request B has, of the channels that end within A's
   stretch, either none, or some that also begin in it: move them to A, whose stretch stays and whose gaps shrink.
   B keeps those that end behind A; what it no longer covers lies before the first of them, so no gap appears in B.
   Or B begins before A and ends behind it: move all of A to B, and there is one request less. Either way no cost
   grows, and no stretch, so no limit and no forbidden address is met.
3. Now A holds the first channels of the order, all of them up to some place, and the rest are treated alike.
So some optimum cuts the ordered channels into runs, and trying every last run behind every best beginning finds it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from itertools import pairwise
from typing import Final

from config.bus import FUNCTIONS
from config.model import Channel, Link, Module
from config.reach import Stretch, stretches
from drivers.contract import Pick, ReadPlan, Request
from drivers.modbus.cost import TCP, wire_ns

ORDER: Final = FUNCTIONS
LARGEST: Final[Mapping[str, int]] = {"coil": 2000, "discrete": 2000, "holding": 125, "input": 125}
"""Items one request may ask for: bits, or registers."""


def plan(module: Module, link: Link | None = None) -> ReadPlan:
    """The cheapest requests that fetch every channel of a module over `link` (Modbus TCP when none is given).

    Requests come in the order coil, discrete, holding, input, then by address. Of equal costs the fewest requests. A
    module that refuses a request because of the unused addresses in it is asked again without them by the driver
    (`without_gaps`). ValueError when channels cannot be read as declared; `check` refuses such a plant file.
    """
    link = link or TCP
    wanted = tuple(module.channels.values())
    requests: list[Request] = []
    for function in ORDER:
        if own := [c for c in wanted if c.function == function]:
            requests += _cheapest(own, module, _costs(link, module, function))
    clears = frozenset(
        i for i, c in enumerate(wanted) if any(a.touches(c.function, c.address, c.end) for a in module.clear_on_read)
    )
    picks = picks_in(tuple(requests), wanted)
    return ReadPlan(module.name, module.unit, tuple(requests), picks, module.answers_within, clears)


def without_gaps(channels: tuple[Channel, ...]) -> tuple[Request, ...]:
    """The requests for these channels that touch no address without a channel."""
    requests: list[Request] = []
    for function in ORDER:
        first = behind = -1
        for start, end in stretches((c for c in channels if c.function == function), ()):
            if first >= 0 and start <= behind and end - first <= LARGEST[function]:
                requests.pop()
            else:
                first = start
            behind = end
            requests.append(Request(function, first, end - first))
    return tuple(requests)


def picks_in(requests: tuple[Request, ...], channels: tuple[Channel, ...]) -> tuple[Pick, ...]:
    """Where each channel lies in the requests; ValueError when one lies in none."""
    return tuple(_pick(requests, channel) for channel in channels)


def _pick(requests: tuple[Request, ...], channel: Channel) -> Pick:
    for index, request in enumerate(requests):
        offset = channel.address - request.address
        if request.function == channel.function and 0 <= offset <= request.count - channel.registers:
            return Pick(index, offset, channel)
    raise ValueError(f"no request holds {channel.function} {channel.address}")


def _costs(link: Link, module: Module, function: str) -> Callable[[int], int]:
    return cache(lambda count: wire_ns(link, module, function, count))


def _cheapest(channels: list[Channel], module: Module, cost: Callable[[int], int]) -> list[Request]:
    """The runs of stretches with the least sum of costs, by the best beginning before each place."""
    function = channels[0].function
    most = min(LARGEST[function], module.most(function))
    parts = stretches(channels, module.clear_on_read)
    for start, end in parts:
        _readable(module, function, start, end, most)
    clears = [any(a.touches(function, *part) for a in module.clear_on_read) for part in parts]
    joints = [True, *(_may_join(module, function, a, b) for a, b in pairwise(parts))]  # each with the one before it
    gaps = [False, *(b[0] > a[1] for a, b in pairwise(parts))]
    best: list[tuple[int, int, int]] = [(0, 0, 0)]  # cost, requests, and where the last run begins
    for last, (_, end) in enumerate(parts):
        found: tuple[int, int, int] | None = None
        clear = gap = False
        for first in range(last, -1, -1):
            clear = clear or clears[first]
            count = end - parts[first][0]
            if count > most or (clear and gap):
                break
            before = best[first]
            here = (before[0] + cost(count), before[1] + 1, first)
            if found is None or here[:2] < found[:2]:
                found = here
            if not joints[first]:
                break
            gap = gap or gaps[first]
        assert found is not None
        best.append(found)
    return _runs(function, parts, best)


def _runs(function: str, parts: list[Stretch], best: list[tuple[int, int, int]]) -> list[Request]:
    out: list[Request] = []
    behind = len(parts)
    while behind:
        first = best[behind][2]
        start = parts[first][0]
        out.append(Request(function, start, parts[behind - 1][1] - start))
        behind = first
    return out[::-1]


def _may_join(module: Module, function: str, a: Stretch, b: Stretch) -> bool:
    """Whether what lies between two neighbours may be read along."""
    if b[0] <= a[1]:
        return True
    closed = (*module.never, *module.clear_on_read)
    return b[0] - a[1] <= module.widest_gap(function) and not any(r.touches(function, a[1], b[0]) for r in closed)


def _readable(module: Module, function: str, start: int, end: int, most: int) -> None:
    if end - start > most:
        raise ValueError(f"module {module.name}: {function} {start}..{end - 1} does not fit one request of {most}")
    if barred := [a for a in module.never if a.touches(function, start, end)]:
        raise ValueError(f"module {module.name}: {function} {start} lies in {barred[0]}, which must never be read")
