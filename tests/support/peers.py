"""Drivers for tests of what stands above drivers: a link whose modules answer as a script says, in plant time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from config.model import Link, Module
from daemon.core.clock import Clock
from drivers.contract import Answer, Fault, Pick, ReadPlan, Request, nothing


@dataclass(frozen=True, slots=True)
class Reply:
    """What a module does at one poll: after `after` s of plant time it gives a count in every channel, or a fault."""

    after: float = 0.0
    count: int = 1
    fault: Fault = Fault.NONE


def silence(timeout: float = 1.0) -> Reply:
    """No answer until the timeout."""
    return Reply(timeout, fault=Fault.NO_ANSWER)


class HandLink:
    """A driver: `script[module](elapsed, n)` tells the reply to the n-th poll of a module, begun at `elapsed`.

    Records `asked` (when, module), `overlaps` (calls while another was under way), `closed` and `cancelled`.
    """

    def __init__(self, clock: Clock, script: Mapping[str, Callable[[float, int], Reply]], refuses: str = "") -> None:
        self._clock, self._script, self._refuses = clock, script, refuses
        self.asked: list[tuple[float, str]] = []
        self.overlaps = self.closed = self.cancelled = 0
        self._count: dict[str, int] = {}
        self._reading = False
        self._end: asyncio.Future[None] | None = None

    async def connect(self) -> str:
        return self._refuses

    async def read(self, plan: ReadPlan) -> Answer:
        now = self._clock.elapsed()
        self.asked.append((round(now, 6), plan.module))
        self.overlaps += self._reading
        self._reading = True
        n = self._count[plan.module] = self._count.get(plan.module, -1) + 1
        reply = self._script[plan.module](now, n)
        self._end = asyncio.get_running_loop().create_future()
        sleep = asyncio.ensure_future(self._clock.sleep_until(now + reply.after))
        try:
            if reply.after:
                await asyncio.wait((sleep, self._end), return_when=asyncio.FIRST_COMPLETED)
        except asyncio.CancelledError:
            self.cancelled += 1
            raise
        finally:
            self._reading = False
            sleep.cancel()
        if self._end.done():
            return nothing(plan, Fault.STOPPING)
        if reply.fault:
            return nothing(plan, reply.fault, f"{plan.module}: {reply.fault.name}.")
        return Answer((reply.count,) * len(plan.picks), (Fault.NONE,) * len(plan.picks))

    async def aclose(self) -> None:
        self.closed += 1
        if self._end and not self._end.done():
            self._end.set_result(None)


def simple_plan(module: Module, link: Link | None = None) -> ReadPlan:
    """One request a channel: enough for drivers that never look at it."""
    requests = tuple(Request(c.function, c.address, c.registers) for c in module.channels.values())
    return ReadPlan(
        module.name, module.unit, requests, tuple(Pick(i, 0, c) for i, c in enumerate(module.channels.values()))
    )
