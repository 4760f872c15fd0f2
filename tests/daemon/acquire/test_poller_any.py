"""Whatever modules do, what comes out of the poller keeps its promises."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.contract import Fault
from tests.daemon.acquire.test_poller import Shift
from tests.support.peers import Reply
from tests.support.plants import links

EVERY_MS = (100, 250, 1000, 1500, 3000, 7000, 20_000)

plants = st.lists(st.lists(st.sampled_from(EVERY_MS), min_size=1, max_size=4), min_size=1, max_size=3)


def named(shape: list[list[int]]) -> Mapping[str, Mapping[str, str]]:
    return {f"l{i}": {f"m{i}_{k}": f"{ms} ms" for k, ms in enumerate(every)} for i, every in enumerate(shape)}


@settings(max_examples=60, deadline=None)
@given(plants, st.integers(0, 2**32), st.floats(0, 0.5), st.floats(1, 40))
def test_every_due_instant_gives_one_group_in_order_with_every_due_module_once(
    shape: list[list[int]], seed: int, unwell: float, seconds: float
) -> None:
    dice = Random(seed)
    faults = (Fault.NO_ANSWER, Fault.LINK_DOWN, Fault.BAD_ANSWER, Fault.REFUSED_2, Fault.REFUSED_11)

    def reply(at: float, n: int) -> Reply:
        if dice.random() < unwell:
            return Reply(dice.choice((0.0, 0.5, 1.0, 3.1)), fault=dice.choice(faults))
        return Reply(dice.choice((0.0, 0.004, 0.03, 0.3, 2.4)), count=n)

    async def play() -> Shift:
        spec = named(shape)
        s = Shift(links(spec), {m: reply for modules in spec.values() for m in modules})
        run = asyncio.create_task(s.poller.run())
        left = seconds
        while left > 0:  # in steps of any length
            step = min(left, dice.choice((0.05, 0.7, 5.0)))
            await s.clock.forward(step)
            left -= step
        await s.poller.stop()
        await run
        return s

    s = asyncio.run(play())
    every = [ms for link in shape for ms in link]
    end_ms = int(s.clock.elapsed() * 1000 + 1e-6)
    due = sorted({k * e for e in every for k in range(end_ms // e + 1)})
    groups = [(round(p.due * 1000), [x.module for x in p.scans]) for p in s.seen]
    assert [g for g in groups if g[1]] == [(t, [m for m, e in enumerate(every) if t % e == 0]) for t in due]
    assert [t for t, _ in groups] == sorted({t for t, _ in groups})
    for p in s.seen:
        for scan in p.scans:
            assert (scan.counts[0] is None) == (scan.faults[0] != Fault.NONE)
            assert 0 <= scan.delay_ms <= 2000
    for driver in s.drivers.values():
        assert (driver.overlaps, driver.closed, driver.cancelled) == (0, 1, 0)
    for name, stats in s.poller.modules.items():
        asked = sum(1 for d in s.drivers.values() for _, m in d.asked if m == name)
        assert stats.asked == asked
        assert asked - 1 <= stats.answers + stats.silences <= asked  # one may have been ended by the stop
