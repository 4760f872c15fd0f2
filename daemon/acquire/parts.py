"""What the poller keeps of each group, module and link.

Lives here: the records, and how each is made of the plant file. May import: config, drivers, daemon.core.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any

from config.model import Link, Module
from daemon.acquire.grid import Instant
from daemon.core.scan import Scan
from drivers.contract import Driver, Fault, ReadPlan, nothing


@dataclass(slots=True)
class ModuleStats:
    """What became of the polls of one module in this run. `silent_in_row` 0: it answers."""

    asked: int = 0
    answers: int = 0
    silences: int = 0  # polls that brought nothing: no answer, link down, unusable, or no path beyond a gateway
    late: int = 0  # answers that came after their group had closed, dropped
    skipped: int = 0  # due instants at which it was not asked: still busy with the last, or the link was
    held_back: int = 0  # due instants at which it was left alone because it is silent
    silent_in_row: int = 0
    last_delay_ms: int = 0  # plant ms from the due instant to the last answer
    detail: str = ""  # of the last poll that was not well


@dataclass(slots=True)
class PollerStats:
    """What became of the instants of the grid in this run."""

    groups: int = 0
    too_late: int = 0  # polls of instants that were past before the grid was looked at (a stalled machine)
    no_room: int = 0  # instants not opened because the hand-over was `backlog` groups behind


class Collected:
    """An instant being collected: one slot a due module, closed when none is missing."""

    __slots__ = ("closes", "due", "due_ms", "missing", "places", "scans")

    def __init__(self, due: float, instant: Instant, closes: float) -> None:
        self.due, self.due_ms, self.closes = due, instant.ms, closes
        self.places = {module: i for i, module in enumerate(instant.modules)}
        self.scans: list[Scan | None] = [None] * len(instant.modules)
        self.missing = len(self.scans)

    def put(self, module: int, scan: Scan) -> bool:
        """Fill the slot of a module; False when it was filled before."""
        i = self.places[module]
        if self.scans[i] is not None:
            return False
        self.scans[i] = scan
        self.missing -= 1
        return True


@dataclass(slots=True)
class Polling:
    index: int
    name: str
    plan: ReadPlan
    every: float  # plant seconds
    timeout: float  # real seconds that a silence of it costs the link
    without: dict[Fault, Scan]  # its scans with no count where it was not asked, by fault
    unheard: dict[Fault, Scan]  # the same where it was asked, and its answer has not come
    zeros: tuple[int, ...]
    stats: ModuleStats = field(default_factory=ModuleStats)
    busy: bool = False  # a read is in flight
    asked_for: Collected | None = None  # the group that read is for
    passed_over: bool = False  # at its last instant its turn did not come
    waits: Collected | None = None  # where it stands in its link's queue for
    last_asked: float = -1.0  # elapsed plant seconds
    took: float = 0.0  # plant seconds its answers take of late
    rest: float = 0.0  # elapsed plant seconds until which its driver leaves it alone after a silence
    due_ms: int = 0  # its last instant
    retry_ms: int = 0  # silent, it is tried at the first instant from then on even where that makes others wait


@dataclass(slots=True)
class Wire:
    name: str
    timeout: float  # real seconds
    driver: Driver | None
    modules: list[Polling] = field(default_factory=list)
    rests: bool = True  # its driver leaves a silent module alone for another timeout
    queue: deque[tuple[Polling, Collected | None]] = field(default_factory=deque)  # None: a try beside the groups
    guests: deque[tuple[Callable[[Driver], Awaitable[Any]], asyncio.Future[Any]]] = field(default_factory=deque)
    silent: list[Polling] = field(default_factory=list)  # due at the instant that is being opened
    wake: asyncio.Event = field(default_factory=asyncio.Event)
    asking: Polling | bool = False  # who, or True for a guest
    closed: bool = False
    fresh: bool = False  # its queue has just grown
    behind: bool = False  # the last instant ended with modules not asked
    fell_silent: bool = False  # a module has, since the last instant
    downs: int = 0  # polls in a row that found no connection
    retry_ms: int = 0


def wire_of(link: Link, driver: Driver | None) -> Wire:
    """A link before its first poll."""
    return Wire(link.name, link.timeout_s, driver, rests=link.kind not in ("modbus-tcp", "text"))


def polling_of(index: int, m: Module, link: Link, plan: ReadPlan) -> Polling:
    """A module before its first poll. ValueError when the plan is not one of its own."""
    n = len(m.channels)
    if len(plan.picks) != n:
        raise ValueError(f"the read plan of module {m.name} has {len(plan.picks)} values for {n} channels")

    def scans(clears: dict[Fault, Fault]) -> dict[Fault, Scan]:
        kinds = (Fault.NO_ANSWER, Fault.LINK_DOWN, Fault.NOT_POLLED, Fault.STOPPING)
        made = {f: nothing(plan, f, clears=clears.get(f)) for f in kinds}
        return {f: Scan(index, a.counts, tuple(map(int, a.faults))) for f, a in made.items()}

    # where the link waits less than the module may take, the line is left quiet for the rest
    costs = max(link.waits(plan.answers_within), plan.answers_within or 0.0)
    if m.prompt is not None:  # a text link is not prompted for as long again: whose answer came late could not be told
        costs *= 2
    without = scans({Fault.NO_ANSWER: Fault.NOT_ASKED})
    return Polling(index, m.name, plan, m.every, costs, without, scans({Fault.STOPPING: Fault.CUT_OFF}), (0,) * n)
