"""Waiting for the next representative reading, on the engine itself; time is that of the groups."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

import pytest

from daemon.app.letterbox import ActRefused
from daemon.app.next_reading import next_reading, probe_now
from daemon.core.outcome import GroupOutcome
from daemon.core.scan import Group
from tests.support.feed import Feed, boiler, plant

Listener = Callable[[Group, GroupOutcome], None]


class House:
    """The engine, with whoever listens told of each group as the service tells them."""

    def __init__(self, text: str) -> None:
        self.feed = Feed(plant(text))
        self.listeners: list[Listener] = []
        self.said: list[dict[str, Any]] = []

    def listen(self, listener: Listener) -> Callable[[], None]:
        self.listeners.append(listener)
        return lambda: self.listeners.remove(listener)

    async def progress(self, what: object) -> None:
        assert isinstance(what, dict)
        self.said.append(what)

    async def run(self, seconds: float, **now: Any) -> None:
        for _ in range(round(seconds / 10)):
            outcome = self.feed.poll(**now)
            for listener in tuple(self.listeners):
                listener(self.feed.groups[-1], outcome)
            for _ in range(3):
                await asyncio.sleep(0)

    def ask(self, name: str = "B1") -> asyncio.Task[Any]:
        return asyncio.create_task(next_reading(lambda: self.feed.state, self.listen, name, self.progress))


TIMED = boiler("timed", sample='flush = "20 s", every = "30 min"')


async def test_it_waits_for_the_sample_and_says_what_it_waits_for() -> None:
    house = House(TIMED)
    await house.run(60, blow=0)
    await house.run(60, blow=1, cond=2500)
    await house.run(60, blow=0)
    waiting = house.ask()
    await asyncio.sleep(0)
    await house.run(600)
    assert not waiting.done()
    assert house.said[-1]["words"] == "valve shut, not sampling"
    assert house.said[-1]["waited_ms"] == 590_000
    await house.run(60, blow=1, cond=2600)
    got = await waiting
    assert got["value"] == pytest.approx(2600, abs=0.3)
    assert got["readings"] == 3
    assert got["before"] == pytest.approx(2500, abs=0.3)
    assert any(s["words"] == "valve open, flushing" for s in house.said)
    assert house.listeners == []


async def test_it_gives_up_when_no_sample_comes_within_its_time() -> None:
    house = House(TIMED)
    await house.run(60, blow=0)
    waiting = house.ask()
    await asyncio.sleep(0)
    await house.run(46 * 60)
    with pytest.raises(ActRefused, match=r"no representative reading of B1 within 4\d min of plant time"):
        await waiting
    assert house.listeners == []


async def test_a_short_opening_gives_the_readings_there_are() -> None:
    house = House(TIMED)
    await house.run(60, blow=0)
    waiting = house.ask()
    await asyncio.sleep(0)
    await house.run(40, blow=1, cond=2600)
    await house.run(20, blow=0)
    assert (await waiting)["readings"] in (1, 2)


async def test_a_boiler_that_does_not_steam_and_one_without_a_sample_line_are_refused() -> None:
    house = House(TIMED)
    await house.run(60)
    waiting = house.ask()
    await asyncio.sleep(0)
    await house.run(60, limit=0)
    with pytest.raises(ActRefused, match="B1 is off: no sample stands for its water now"):
        await waiting
    house = House(boiler("none", sample='flush = "20 s"'))
    await house.run(30)
    with pytest.raises(ActRefused, match="has no sample line"):
        await house.ask()
    with pytest.raises(ActRefused, match="there is no boiler 'B7'"):
        await house.ask("B7")


async def test_the_probe_as_it_is_now_with_current_and_without_correction() -> None:
    house = House(boiler("continuous"))
    await house.run(60, cond=2500)
    asked = asyncio.create_task(probe_now(lambda: house.feed.state, house.listen, "B1"))
    await asyncio.sleep(0)
    await house.run(10)
    got = await asked
    assert got["loop"] == got["probe"] == got["reading"] == pytest.approx(2500, abs=0.3)
    assert got["ma"] == pytest.approx(12.0, abs=1e-3)
    asked = asyncio.create_task(probe_now(lambda: house.feed.state, house.listen, "B1"))
    await asyncio.sleep(0)
    await house.run(10, ma=3.0)
    with pytest.raises(ActRefused, match="loop open"):
        await asked
