"""Polls the modules of a plant on the grid and hands on closed groups of scans, strictly in sequence.

Lives here: the grid keeper, the owner of each link, the hand-over. When is in `grid`, whom to leave alone in
`backoff`, whose turn it is in `turns`; README.md has the rules. May import: config, drivers, daemon.core.
Never: a clock of its own, files.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from config.model import Link, Module, Plant
from daemon.acquire.backoff import wait_s
from daemon.acquire.grid import Grid, Instant
from daemon.acquire.parts import Collected, ModuleStats, PollerStats, Polling, Wire, polling_of, wire_of
from daemon.acquire.turns import in_turn, try_silent, unheard
from daemon.core.clock import Clock
from daemon.core.scan import Scan
from drivers.contract import Answer, Driver, Fault, ReadPlan, nothing
from drivers.registry import plan_reads

LONGEST_OPEN_S = 2.0  # real seconds a group waits for its last module
BEAT_S = 4.0  # real seconds after which an idle link is woken to show that it lives
CLOSING_S = 0.5  # real seconds a driver has to close its link, and then to end a read in flight

log = logging.getLogger("waterside.acquire")

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Polled:
    """One instant of the grid, closed."""

    due: float  # elapsed plant seconds of the instant
    scans: tuple[Scan, ...]  # plant-file order; empty for the 10 s heartbeat


class Poller:
    """One owner a link, links concurrent, modules on one link in turn. One `run` in a life.

    `deliver` is awaited for one group at a time, in order; bus reads go on meanwhile, until `backlog` groups wait.
    `beat(link)` is called at least every 5 s of real time by each living link. `origin`: elapsed plant seconds the
    grid counts from (a reload keeps the old one); by default the moment `run` begins, and then all are due at once.
    """

    def __init__(
        self,
        plant: Plant,
        drivers: Mapping[str, Driver],
        clock: Clock,
        deliver: Callable[[Polled], Awaitable[None]],
        *,
        beat: Callable[[str], None] = lambda link: None,
        plans: Callable[[Module, Link], ReadPlan] = plan_reads,
        origin: float | None = None,
        backlog: int = 600,
    ) -> None:
        self._clock, self._deliver, self._beat = clock, deliver, beat
        self.origin = origin
        self._backlog = backlog
        links = {link.name: wire_of(link, drivers.get(link.name)) for link in plant.links}
        self._links_by_name = links
        self._links = tuple(links.values())
        wires = {link.name: link for link in plant.links}
        self._modules = tuple(
            polling_of(i, m, wires[m.link], plans(m, wires[m.link])) for i, m in enumerate(plant.modules)
        )
        self._of = tuple(links[m.link] for m in plant.modules)
        for module, link in zip(self._modules, self._of, strict=True):
            link.modules.append(module)
        self.stats = PollerStats()
        self.modules: Mapping[str, ModuleStats] = {m.name: m.stats for m in self._modules}
        self._line: deque[Collected] = deque()
        self._closed = asyncio.Event()  # the head of the line may be closed
        self._stopping = False
        self._started = False
        self._ended = asyncio.Event()
        self._full = False
        self._grid: asyncio.Task[None] | None = None
        self._owners: tuple[asyncio.Task[None], ...] = ()

    async def connect_all(self) -> tuple[str, ...]:
        """Try every link once, all at the same time; one sentence for each that failed, in plant-file order."""

        async def one(link: Wire) -> str:
            if link.driver is None:
                return ""
            try:
                return await link.driver.connect()
            except Exception as e:
                log.exception("link %s: the driver failed to connect", link.name)
                return f"Link {link.name}: its driver failed with {e!r}. This is a fault in the program; report it."

        said = await asyncio.gather(*(one(link) for link in self._links))
        return tuple(s for s in said if s)

    async def run(self) -> None:
        """Poll until `stop`. Raises what `deliver` raises. Every link is closed when it returns."""
        if self._stopping and not self._started:
            return  # stopped before it began
        if self._started:
            raise RuntimeError("a Poller runs once; make a new one")
        self._started = True
        create = asyncio.create_task
        self._grid = create(self._keep_grid(), name="grid")
        self._owners = tuple(create(self._own(link), name=f"link {link.name}") for link in self._links)
        tasks = [*self._owners, self._grid, create(self._hand_over(), name="hand over")]
        try:
            await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
        finally:
            for task in tasks:
                task.cancel()  # the living only: after an exception or from outside
            await asyncio.gather(*tasks, return_exceptions=True)
            for link in self._links:
                await self._close(link)
            self._ended.set()
        for task in tasks:
            if not task.cancelled() and (error := task.exception()):
                raise error

    async def stop(self) -> None:
        """Begin no request; close the open groups with STOPPING for what is missing, deliver them, close the links.

        A read in flight is ended by closing its link. Returns when `run` has ended.
        """
        self._stopping = True
        if self._grid is None:  # not running yet
            await asyncio.gather(*(self._close(link) for link in self._links))
            return
        self._grid.cancel()
        for group in self._line:
            self._give_up(group, Fault.STOPPING)
        self._closed.set()
        for link in self._links:
            link.wake.set()
        # a link whose owner waits for an answer is closed from here, the others by their owners
        await asyncio.gather(*(self._close(link) for link in self._links if link.asking))
        _, stuck = await asyncio.wait(self._owners, timeout=CLOSING_S)
        for task in stuck:
            log.error("%s: the driver did not end its read when closed", task.get_name())
            task.cancel()
        await self._ended.wait()

    # the grid

    async def _keep_grid(self) -> None:
        clock = self._clock
        now = clock.elapsed()
        if self.origin is None:
            self.origin = now
        origin = self.origin
        grid = Grid((round(m.every * 1000) for m in self._modules), max(0, round((now - origin) * 1000)))
        beat = now
        while True:
            closes = min((g.closes for g in self._line if g.missing), default=float("inf"))
            await clock.sleep_until(min(origin + grid.next_ms() / 1000, closes, beat))
            now = clock.elapsed()
            for group in self._line:
                if group.missing and group.closes <= now:
                    self._give_up(group, Fault.NO_ANSWER)
            instants, late = grid.take(round((now - origin) * 1000))
            self.stats.too_late += late
            for instant in instants:
                self._open(instant, origin, now)
            if now >= beat:
                beat = now + BEAT_S * clock.speed
                for link in self._links:
                    link.wake.set()

    def _open(self, instant: Instant, origin: float, now: float) -> None:
        if len(self._line) >= self._backlog:
            if not self._full:
                log.error("%d groups wait to be stored; instants are left out until there is room", self._backlog)
            self._full = True
            self.stats.no_room += 1
            return
        self._full = False
        modules = [self._modules[i] for i in instant.modules]
        longest = max((m.every for m in modules), default=0.0)
        closes = now + min(longest, LONGEST_OPEN_S * self._clock.speed)
        group = Collected(origin + instant.ms / 1000, instant, closes)
        self._line.append(group)
        self.stats.groups += 1
        for m in modules:
            link = self._of[m.index]
            m.due_ms = instant.ms
            if m.waits:  # its turn did not come in the last instant: that one is past
                m.waits.put(m.index, m.without[Fault.NO_ANSWER])
                m.waits = None
                m.stats.skipped += 1
                link.behind = m.passed_over = True
                self._closed.set()
            if link.driver is None or (link.downs and instant.ms < link.retry_ms):
                m.stats.held_back += 1
                group.put(m.index, m.without[Fault.LINK_DOWN])
            elif m.busy:
                m.stats.skipped += 1
                group.put(m.index, m.without[Fault.NO_ANSWER])
            elif m.stats.silent_in_row:
                link.silent.append(m)
                link.fresh = True
            else:
                link.queue.append((m, group))
                m.waits = group
                link.fresh = True
        for link in self._links:
            if link.fresh:
                link.fresh = False
                beside = try_silent(link, group, now, origin, self._clock.speed) if link.silent else []
                in_turn(link, instant.ms)
                link.queue.extend((m, None) for m in beside)
                link.wake.set()
        if not group.missing:
            self._closed.set()

    def _give_up(self, group: Collected, fault: Fault) -> None:
        for index, scan in zip(group.places, group.scans, strict=True):
            if scan is None:
                m = self._modules[index]
                group.put(index, (m.unheard if m.asked_for is group else m.without)[fault])
        self._closed.set()

    # a link

    async def _own(self, link: Wire) -> None:
        while True:
            self._beat(link.name)
            if self._stopping:
                break
            if not link.queue and link.guests:
                await self._work_for_guest(link)
                continue
            if not link.queue:
                link.wake.clear()
                await link.wake.wait()
                continue
            module, group = link.queue.popleft()
            if group is None:
                await self._ask(link, module, None)
                continue
            if module.waits is group:
                module.waits = None
            if group.scans[group.places[module.index]] is None:
                await self._ask(link, module, group)
                continue
            module.stats.skipped += 1  # the group closed before its turn came
            if link.fell_silent and not module.plan.clears:  # who else is silent is found out at once
                await self._ask(link, module, None)
            else:
                link.behind = module.passed_over = True
        await self._close(link)

    async def lend(self, name: str, work: Callable[[Driver], Awaitable[T]]) -> T | None:
        """Let a link's owner do something with its driver that is no poll, as soon as no poll waits for the link.

        None when the poller ends first. KeyError for a link that is not there. Raises what `work` raises.
        """
        link = self._links_by_name[name]
        if link.driver is None or self._stopping:
            return None
        done: asyncio.Future[T | None] = asyncio.get_running_loop().create_future()
        link.guests.append((work, done))
        link.wake.set()
        return await done

    async def _work_for_guest(self, link: Wire) -> None:
        assert link.driver is not None
        work, done = link.guests.popleft()
        if done.done():
            return
        link.asking = True
        try:
            result = await work(link.driver)
        except Exception as e:  # the guest's: it ends neither the link nor the service
            if not done.done():
                done.set_exception(e)
            return
        finally:
            link.asking = False
        if not done.done():
            done.set_result(result)

    async def _ask(self, link: Wire, m: Polling, group: Collected | None) -> None:
        """Read a module for a group; for none where a silent one is only tried."""
        assert link.driver is not None
        link.asking, m.busy, m.asked_for = m, True, group
        m.passed_over = False
        m.stats.asked += 1
        asked = m.last_asked = self._clock.elapsed()
        try:
            answer = await link.driver.read(m.plan)
            if len(answer.counts) != len(m.zeros) or len(answer.faults) != len(m.zeros):
                raise ValueError(f"{len(answer.counts)} counts for {len(m.zeros)} channels")
        except Exception as e:  # a fault in a driver ends neither the link nor the service
            log.exception("link %s, module %s: the driver failed", link.name, m.name)
            answer = nothing(m.plan, Fault.BAD_ANSWER, f"the driver failed: {e!r}")
        finally:
            link.asking, m.busy, m.asked_for = False, False, None
        if self._stopping and not any(c is not None for c in answer.counts):
            return  # ended by the closing of the link: says nothing about the module
        now = self._clock.elapsed()
        down = all(f is Fault.LINK_DOWN for f in answer.faults)
        self._judge(link, m, answer, asked, now, down)
        if group is not None:
            self._put(link, m, group, answer, now, down)
        if down:  # what holds for one module of a link without connection holds for the others
            while link.queue:
                other, its = link.queue.popleft()
                other.waits = None
                if its is not None and its.put(other.index, other.without[Fault.LINK_DOWN]) and not its.missing:
                    self._closed.set()

    def _put(self, link: Wire, m: Polling, group: Collected, answer: Answer, now: float, down: bool) -> None:
        delay_ms = max(0, round((now - group.due) * 1000))
        faults = tuple(map(int, answer.faults)) if any(answer.faults) else m.zeros
        taken = group.put(m.index, Scan(m.index, answer.counts, faults, delay_ms))
        if not m.stats.silent_in_row and not down:
            m.stats.late += not taken
            m.stats.last_delay_ms = delay_ms
        if not group.missing:
            self._closed.set()

    def _judge(self, link: Wire, m: Polling, answer: Answer, asked: float, now: float, down: bool) -> None:
        """Count an answer and set when the module, or the whole link, is tried next. Instants in plant seconds."""
        s = m.stats
        due_ms = m.due_ms
        if answer.detail:
            s.detail = answer.detail
        if down:
            s.silences += 1
            link.downs += 1
            link.retry_ms = due_ms + self._ms(wait_s(link.downs, link.timeout, 1, 0))
            if link.downs == 1:
                log.warning("link %s is down. %s Polling goes on.", link.name, answer.detail)
            return
        if link.downs:
            log.info("link %s is back", link.name)
            link.downs = 0
        if unheard(answer):
            s.silences += 1
            s.silent_in_row += 1
            silent = sum(1 for other in link.modules if other.stats.silent_in_row)
            longest = max(other.timeout for other in link.modules if other.stats.silent_in_row)
            wait = wait_s(s.silent_in_row, longest, silent, len(link.modules) - silent)
            m.retry_ms = due_ms + self._ms(wait)
            m.rest = now + m.timeout * self._clock.speed if link.rests else now
            if s.silent_in_row == 1:
                link.fell_silent = True
                log.warning("module %s on link %s is silent. %s Polling goes on.", m.name, link.name, answer.detail)
            return
        s.answers += 1
        m.took = max(now - asked, 0.9 * m.took)  # the longest of late
        if s.silent_in_row:
            log.info("module %s on link %s answers again after %d tries", m.name, link.name, s.silent_in_row)
            s.silent_in_row = 0

    def _ms(self, real_seconds: float) -> int:
        return round(real_seconds * self._clock.speed * 1000)

    async def _close(self, link: Wire) -> None:
        if link.closed or link.driver is None:
            return
        link.closed = True
        while link.guests:
            _, done = link.guests.popleft()
            if not done.done():
                done.set_result(None)
        try:
            await asyncio.wait_for(link.driver.aclose(), CLOSING_S)
        except Exception:
            log.exception("link %s: the driver failed to close", link.name)

    # the hand-over

    async def _hand_over(self) -> None:
        line = self._line
        while True:
            while line and not line[0].missing:
                group = line[0]
                await self._deliver(Polled(group.due, tuple(s for s in group.scans if s is not None)))
                line.popleft()
            if self._stopping and not line:
                return
            self._closed.clear()
            await self._closed.wait()
