"""Plant time moved by hand: a test says how far, and everything that was due on the way happens in order."""

from __future__ import annotations

import asyncio
import heapq
import itertools

START_MS = 1_789_000_000_000


async def quiet() -> None:
    """Run the event loop until nothing in it is ready to run (sockets and threads are not waited for)."""
    ready = asyncio.get_running_loop()._ready  # type: ignore[attr-defined]  # the one way to know it is empty
    await asyncio.sleep(0)
    while ready:  # noqa: ASYNC110  (no event tells that there is nothing left to do)
        await asyncio.sleep(0)


class HandClock:
    """A `daemon.core.clock.Clock` that stands still until `forward` is awaited.

    `linger`: real seconds given to sockets and threads at each stop on the way, 0 when a test has none.
    """

    def __init__(self, start_ms: int = START_MS, speed: float = 1.0, linger: float = 0.0) -> None:
        self.speed, self.linger = speed, linger
        self._now, self._start_ms = 0.0, start_ms
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._order = itertools.count()

    def elapsed(self) -> float:
        return self._now

    def now_ms(self) -> int:
        return self._start_ms + round(self._now * 1000)

    async def sleep_until(self, elapsed: float) -> None:
        if elapsed <= self._now:
            await asyncio.sleep(0)
            return
        woken = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (elapsed, next(self._order), woken))
        await woken

    async def forward(self, seconds: float) -> None:
        """Move on by `seconds`, stopping at every instant someone sleeps until."""
        end = round(self._now + seconds, 9)
        await self._settle()
        while self._sleepers and self._sleepers[0][0] <= end:
            at, _, woken = heapq.heappop(self._sleepers)
            if woken.done():
                continue
            self._now = max(self._now, at)  # after a leap the sleepers wake late
            woken.set_result(None)
            while self._sleepers and self._sleepers[0][0] == at:
                other = heapq.heappop(self._sleepers)[2]
                if not other.done():
                    other.set_result(None)
            await self._settle()
        self._now = end
        await self._settle()

    async def jump(self, seconds: float) -> None:
        """Move on by `seconds` in one leap, as after a stall: sleepers wake late."""
        self._now = round(self._now + seconds, 9)
        await self.forward(0)

    async def _settle(self) -> None:
        await quiet()
        if self.linger:
            await asyncio.sleep(self.linger)
            await quiet()
