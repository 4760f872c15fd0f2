"""The poller as a shift log: what was asked when, and what came out as groups."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager

import pytest

from config.model import Link, Module, Plant
from daemon.acquire.backoff import SHARE
from daemon.acquire.poller import Polled, Poller
from drivers.contract import Answer, Fault, ReadPlan
from tests.support.clock import HandClock, quiet
from tests.support.peers import HandLink, Reply, silence, simple_plan
from tests.support.plants import links

Script = Mapping[str, Callable[[float, int], Reply]]


def well(after: float = 0.0) -> Callable[[float, int], Reply]:
    return lambda at, n: Reply(after, count=n)


def silent_between(begin: float, end: float, timeout: float = 1.0) -> Callable[[float, int], Reply]:
    return lambda at, n: silence(timeout) if begin <= at < end else Reply(count=n)


class Shift:
    """A plant being polled by hand-moved time, and what was seen of it."""

    def __init__(self, plant: Plant, script: Script, speed: float = 1.0, backlog: int = 600) -> None:
        self.clock = HandClock(speed=speed)
        self.plant = plant
        self.seen: list[Polled] = []
        self.beats: list[tuple[float, str]] = []
        self.drivers = {link.name: HandLink(self.clock, script) for link in plant.links}
        self.hold: asyncio.Event | None = None
        self.poller = Poller(
            plant,
            self.drivers,
            self.clock,
            self.deliver,
            beat=lambda link: self.beats.append((self.clock.elapsed(), link)),
            plans=simple_plan,
            backlog=backlog,
        )

    async def deliver(self, polled: Polled) -> None:
        if self.hold:
            await self.hold.wait()
        self.seen.append(polled)

    def column(self, module: int) -> list[object]:
        """Of each group that holds the module: its count, or the name of its fault."""
        scans = [s for p in self.seen for s in p.scans if s.module == module]
        return [s.counts[0] if s.counts[0] is not None else Fault(s.faults[0]).name for s in scans]


@asynccontextmanager
async def shift(
    spec: Mapping[str, Mapping[str, str]], script: Script, speed: float = 1.0, backlog: int = 600
) -> AsyncIterator[Shift]:
    s = Shift(links(spec), script, speed, backlog)
    run = asyncio.create_task(s.poller.run())
    await quiet()
    yield s
    if s.hold:
        s.hold.set()
    await s.poller.stop()
    await run
    assert all(d.closed == 1 for d in s.drivers.values())
    assert all(d.overlaps == 0 for d in s.drivers.values())


async def test_a_module_is_read_at_once_and_then_on_the_grid() -> None:
    async with shift({"panel": {"ai": "10 s"}}, {"ai": well(0.3)}) as s:
        await s.clock.forward(35)
        assert [p.due for p in s.seen] == [0, 10, 20, 30]
        assert s.column(0) == [0, 1, 2, 3]
        assert {p.scans[0].delay_ms for p in s.seen} == {300}
        assert s.drivers["panel"].asked == [(0, "ai"), (10, "ai"), (20, "ai"), (30, "ai")]


async def test_an_odd_interval_does_not_drift_in_a_day() -> None:
    async with shift({"panel": {"ai": "60.003 s"}}, {"ai": well(0.5)}) as s:
        await s.clock.forward(86400)
        instants = [p.due for p in s.seen if p.scans]
        assert instants == [k * 60003 / 1000 for k in range(len(instants))]
        assert len(instants) == 1440


async def test_modules_on_one_link_are_asked_in_turn_in_the_order_of_the_plant_file() -> None:
    async with shift(
        {"panel": {"ai": "10 s", "di": "10 s", "ci": "10 s"}}, dict.fromkeys(("ai", "di", "ci"), well(0.1))
    ) as s:
        await s.clock.forward(9)
        assert s.drivers["panel"].asked == [(0, "ai"), (0.1, "di"), (0.2, "ci")]
        assert [x.module for x in s.seen[0].scans] == [0, 1, 2]
        assert [x.delay_ms for x in s.seen[0].scans] == [100, 200, 300]


async def test_two_links_are_asked_at_the_same_time() -> None:
    async with shift({"a": {"a1": "10 s"}, "b": {"b1": "10 s"}}, {"a1": well(0.8), "b1": well(0.8)}) as s:
        await s.clock.forward(0.9)
        assert s.drivers["a"].asked == [(0, "a1")]
        assert s.drivers["b"].asked == [(0, "b1")]
        assert [x.delay_ms for x in s.seen[0].scans] == [800, 800]


async def test_scans_are_in_plant_file_order_whoever_answers_first() -> None:
    async with shift({"a": {"slow": "10 s"}, "b": {"fast": "10 s"}}, {"slow": well(1.5), "fast": well()}) as s:
        await s.clock.forward(5)
        assert [x.module for x in s.seen[0].scans] == [0, 1]


async def test_a_silent_module_gives_no_answer_and_the_grid_is_kept() -> None:
    async with shift({"panel": {"ai": "10 s"}}, {"ai": silent_between(10, 15)}) as s:
        await s.clock.forward(25)
        assert [p.due for p in s.seen] == [0, 10, 20]
        assert s.column(0) == [0, "NO_ANSWER", 2]


async def test_a_lone_silent_module_is_read_within_one_interval_of_its_return() -> None:
    async with shift({"panel": {"ai": "2 s"}}, {"ai": silent_between(4, 301)}) as s:
        await s.clock.forward(304.5)
        assert s.column(0)[-2:] == [151, 152]
        assert s.seen[-2].due == 302


async def test_a_silent_module_backs_off_and_its_neighbours_keep_the_grid() -> None:
    script = {"dead": lambda at, n: silence(), "ai": well(0.01), "di": well(0.01)}
    async with shift({"panel": {"dead": "1 s", "ai": "1 s", "di": "1 s"}}, script) as s:
        await s.clock.forward(100.5)
        tries = [at for at, m in s.drivers["panel"].asked if m == "dead"]
        gaps = [b - a for a, b in itertools.pairwise(tries)]
        assert gaps[0] < gaps[-1] and max(gaps) <= 30
        assert sum(1 for _ in tries) <= 27  # a quarter of the link's time
        assert [p.due for p in s.seen] == list(range(101))
        for neighbour in (1, 2):
            assert s.column(neighbour).count("NO_ANSWER") <= 1
        assert set(s.column(0)) == {"NO_ANSWER", "NOT_POLLED"}


async def test_each_due_instant_of_a_silent_module_says_so() -> None:
    script = {"dead": lambda at, n: silence(), "ai": well()}
    async with shift({"panel": {"dead": "1 s", "ai": "1 s"}}, script) as s:
        await s.clock.forward(59.5)
        assert len(s.column(0)) == len(s.seen) == 60
        assert s.poller.modules["dead"].held_back == s.column(0).count("NOT_POLLED") > 20


async def test_a_silent_module_among_neighbours_comes_back_by_itself() -> None:
    async with shift({"panel": {"di": "10 s", "ai": "10 s"}}, {"di": silent_between(0, 605), "ai": well()}) as s:
        await s.clock.forward(625)
        assert s.column(0)[-2:] != ["NO_ANSWER", "NO_ANSWER"]
        assert s.column(0)[-1] == s.poller.modules["di"].asked - 1
        assert s.seen[-2].scans[0].counts != (None,), "read within one interval of its return"
        assert s.poller.modules["di"].silent_in_row == 0


async def test_a_silent_module_on_one_link_costs_another_link_nothing() -> None:
    script = {"dead": lambda at, n: silence(), "ai": well(0.1)}
    async with shift({"a": {"dead": "1 s"}, "b": {"ai": "1 s"}}, script) as s:
        await s.clock.forward(30)
        assert s.drivers["b"].asked == [(k, "ai") for k in range(31)]
        assert "NO_ANSWER" not in s.column(1)


async def test_a_group_closes_at_two_seconds_and_the_late_answer_is_counted_and_dropped() -> None:
    async with shift({"a": {"slow": "10 s"}, "b": {"ai": "10 s"}}, {"slow": well(2.5), "ai": well()}) as s:
        await s.clock.forward(1.9)
        assert s.seen == []
        await s.clock.forward(0.2)
        assert s.column(0) == ["NO_ANSWER"]
        await s.clock.forward(1)
        assert s.poller.modules["slow"].late == 1
        assert s.poller.modules["slow"].silent_in_row == 0
        await s.clock.forward(20)
        assert s.column(0) == ["NO_ANSWER"] * 3
        assert s.poller.modules["slow"].late == 3


async def test_a_group_of_a_short_interval_closes_within_it() -> None:
    async with shift({"a": {"slow": "1 s"}}, {"slow": lambda at, n: Reply(1.5, count=n)}) as s:
        await s.clock.forward(1.1)
        assert next(p.due for p in s.seen) == 0
        assert s.column(0)[0] == "NO_ANSWER"
        await s.clock.forward(9)
        assert [p.due for p in s.seen] == list(range(len(s.seen))) and len(s.seen) >= 10


async def test_at_sixty_times_speed_two_seconds_are_still_real() -> None:
    async with shift(
        {"a": {"slow": "10 min"}, "b": {"ai": "10 min"}}, {"slow": well(119), "ai": well()}, speed=60
    ) as s:
        await s.clock.forward(700)
        assert s.column(0) == [0]


async def test_a_link_too_slow_for_its_interval_reads_all_its_modules_equally_often() -> None:
    names = [f"m{i}" for i in range(8)]
    async with shift({"panel": dict.fromkeys(names, "1 s")}, dict.fromkeys(names, well(0.2))) as s:
        await s.clock.forward(41)
        read = [sum(1 for c in s.column(i) if isinstance(c, int)) for i in range(8)]
        assert min(read) >= 18 and max(read) <= 24, read  # 5 of 8 fit in a second


async def test_with_nothing_due_an_empty_group_comes_every_ten_seconds() -> None:
    async with shift({"panel": {"ai": "60 s"}}, {"ai": well()}) as s:
        await s.clock.forward(75)
        assert [(p.due, len(p.scans)) for p in s.seen] == [
            (0, 1), (10, 0), (20, 0), (30, 0), (40, 0), (50, 0), (60, 1), (70, 0)
        ]  # fmt: skip


async def test_modules_with_different_intervals_share_the_instants_they_have_in_common() -> None:
    spec = {"a": {"one": "2 s", "two": "3 s"}, "b": {"three": "6 s"}}
    async with shift(spec, dict.fromkeys(("one", "two", "three"), well(0.01))) as s:
        await s.clock.forward(12.5)
        assert [(p.due, [x.module for x in p.scans]) for p in s.seen] == [
            (0, [0, 1, 2]), (2, [0]), (3, [1]), (4, [0]), (6, [0, 1, 2]),
            (8, [0]), (9, [1]), (10, [0]), (12, [0, 1, 2]),
        ]  # fmt: skip


async def test_a_link_without_connection_is_tried_once_an_instant_not_once_a_module() -> None:
    def down(at: float, n: int) -> Reply:
        return Reply(1.0, fault=Fault.LINK_DOWN) if at < 60 else Reply(count=n)

    async with shift({"panel": {"ai": "5 s", "di": "5 s", "ci": "5 s"}}, dict.fromkeys(("ai", "di", "ci"), down)) as s:
        await s.clock.forward(59)
        assert s.drivers["panel"].asked == [(k * 5, "ai") for k in range(12)]
        assert s.column(0) == s.column(1) == s.column(2) == ["LINK_DOWN"] * 12
        await s.clock.forward(3)
        assert len(s.drivers["panel"].asked) == 15
        assert s.seen[-1].scans[2].faults == (0,)


async def test_a_stalled_machine_skips_what_is_past_and_keeps_the_grid() -> None:
    async with shift({"panel": {"ai": "1 s", "di": "5 s"}}, {"ai": well(), "di": well()}) as s:
        await s.clock.forward(2)
        await s.clock.jump(11.3)
        await s.clock.forward(1)
        assert [(p.due, len(p.scans)) for p in s.seen] == [(0, 2), (1, 1), (2, 1), (10, 1), (13, 1), (14, 1)]
        assert s.poller.stats.too_late == 10 + 1


async def test_a_slow_hand_over_does_not_hold_the_bus_and_keeps_the_order() -> None:
    async with shift({"panel": {"ai": "1 s"}}, {"ai": well()}) as s:
        s.hold = asyncio.Event()
        await s.clock.forward(20)
        assert len(s.seen) <= 1
        assert len(s.drivers["panel"].asked) == 21
        s.hold.set()
        await quiet()
        assert [p.due for p in s.seen] == list(range(21))


async def test_when_no_room_is_left_instants_are_left_out_and_counted() -> None:
    async with shift({"panel": {"ai": "1 s"}}, {"ai": well()}, backlog=5) as s:
        s.hold = asyncio.Event()
        await s.clock.forward(20)
        s.hold.set()
        await s.clock.forward(2)
        assert s.poller.stats.no_room > 10
        assert len(s.seen) + s.poller.stats.no_room == 23
        assert [p.due for p in s.seen][-2:] == [21, 22]


async def test_stop_while_waiting_closes_the_open_group_as_stopping() -> None:
    s = Shift(
        links({"a": {"slow": "10 s"}, "b": {"ai": "10 s", "di": "10 s"}}),
        {"slow": lambda at, n: silence(), "ai": well(), "di": well(0.9)},
    )
    run = asyncio.create_task(s.poller.run())
    await s.clock.forward(0.5)
    await s.poller.stop()
    await run
    assert s.column(0) == ["STOPPING"]
    assert s.column(1) == [0]
    assert s.column(2) == ["STOPPING"]
    assert [d.closed for d in s.drivers.values()] == [1, 1]
    assert [d.cancelled for d in s.drivers.values()] == [0, 0]
    asked = sum(len(d.asked) for d in s.drivers.values())
    await s.clock.forward(60)
    assert sum(len(d.asked) for d in s.drivers.values()) == asked
    assert len(s.seen) == 1


async def test_a_stop_before_the_run_closes_the_links_and_nothing_is_asked() -> None:
    s = Shift(links({"a": {"ai": "10 s"}}), {"ai": well()})
    await s.poller.stop()
    await s.poller.run()
    assert s.drivers["a"].closed == 1
    assert s.drivers["a"].asked == [] and s.seen == []


async def test_a_second_stop_changes_nothing_and_a_second_run_is_refused() -> None:
    async with shift({"a": {"ai": "10 s"}}, {"ai": well()}) as s:
        await s.poller.stop()
        await s.poller.stop()
        with pytest.raises(RuntimeError, match="runs once"):
            await s.poller.run()
        assert len(s.seen) == 1


async def test_a_driver_that_does_not_end_its_read_when_closed_is_given_up(caplog: pytest.LogCaptureFixture) -> None:
    class Deaf(HandLink):
        async def aclose(self) -> None:
            self.closed += 1

    plant = links({"a": {"ai": "10 s"}})
    s = Shift(plant, {"ai": well(1e6)})
    deaf = Deaf(s.clock, {"ai": well(1e6)})
    poller = Poller(plant, {"a": deaf}, s.clock, s.deliver, plans=simple_plan)
    run = asyncio.create_task(poller.run())
    await quiet()
    await poller.stop()
    await run
    assert s.column(0) == ["STOPPING"]
    assert (deaf.closed, deaf.cancelled) == (1, 1)
    assert "link a: the driver did not end its read when closed" in caplog.text


async def test_a_failing_hand_over_ends_the_run_with_its_error() -> None:
    s = Shift(links({"a": {"ai": "10 s"}}), {"ai": well()})

    async def fail(polled: Polled) -> None:
        raise OSError(f"no store at {polled.due:g}")

    poller = Poller(links({"a": {"ai": "10 s"}}), s.drivers, s.clock, fail, plans=simple_plan)
    with pytest.raises(OSError, match="no store at 0"):
        await poller.run()
    assert s.drivers["a"].closed == 1


async def test_a_fault_in_a_driver_is_an_unusable_answer_and_the_link_lives_on(
    caplog: pytest.LogCaptureFixture,
) -> None:
    class Faulty(HandLink):
        async def read(self, plan: ReadPlan) -> Answer:
            if self._clock.elapsed() == 10:
                self.asked.append((10, plan.module))
                raise ZeroDivisionError("in the driver")
            return await super().read(plan)

    s = Shift(links({"a": {"ai": "10 s"}}), {"ai": well()})
    poller = Poller(
        links({"a": {"ai": "10 s"}}), {"a": Faulty(s.clock, {"ai": well()})}, s.clock, s.deliver, plans=simple_plan
    )
    run = asyncio.create_task(poller.run())
    await s.clock.forward(25)
    await poller.stop()
    await run
    assert s.column(0) == [0, "BAD_ANSWER", 1]
    assert "in the driver" in caplog.text


async def test_every_link_beats_at_least_every_five_seconds_whatever_its_interval() -> None:
    async with shift({"a": {"rare": "1 h"}, "b": {"often": "1 s"}}, {"rare": well(), "often": well()}) as s:
        await s.clock.forward(600)
        for name in ("a", "b"):
            beats = [at for at, link in s.beats if link == name]
            assert max(b - a for a, b in itertools.pairwise(beats)) <= 5
            assert beats[-1] >= 595


async def test_a_link_stuck_in_a_read_does_not_beat() -> None:
    async with shift({"a": {"stuck": "1 s"}, "b": {"ai": "1 s"}}, {"stuck": well(1e6), "ai": well()}) as s:
        await s.clock.forward(60)
        assert max(at for at, link in s.beats if link == "a") == 0
        assert max(at for at, link in s.beats if link == "b") >= 59


async def test_connecting_reports_every_link_that_failed() -> None:
    plant = links({"a": {"a1": "1 s"}, "b": {"b1": "1 s"}, "c": {"c1": "1 s"}})
    clock = HandClock()
    said = {"a": "Link a: refused. Check the cable.", "b": "", "c": "Link c: no such port. Check its name."}
    s = Shift(plant, {})
    drivers = {n: HandLink(clock, {}, text) for n, text in said.items()}
    poller = Poller(plant, drivers, clock, s.deliver, plans=simple_plan)
    assert await poller.connect_all() == (said["a"], said["c"])
    await poller.stop()


async def test_a_link_nothing_serves_is_down_and_the_others_are_polled() -> None:
    plant = links({"a": {"a1": "10 s"}, "b": {"b1": "10 s"}})
    s = Shift(plant, {"b1": well()})
    poller = Poller(plant, {"b": s.drivers["b"]}, s.clock, s.deliver, plans=simple_plan)
    run = asyncio.create_task(poller.run())
    await s.clock.forward(15)
    await poller.stop()
    await run
    assert s.column(0) == ["LINK_DOWN", "LINK_DOWN"]
    assert s.column(1) == [0, 1]


async def test_a_kept_origin_keeps_the_grid_of_the_run_before() -> None:
    plant = links({"a": {"a1": "10 s"}})
    s = Shift(plant, {"a1": well()})
    await s.clock.forward(24)
    poller = Poller(plant, s.drivers, s.clock, s.deliver, plans=simple_plan, origin=3.0)
    run = asyncio.create_task(poller.run())
    await s.clock.forward(20)
    await poller.stop()
    await run
    assert [p.due for p in s.seen] == [33, 43]


async def test_a_gateway_that_finds_nobody_counts_as_silence() -> None:
    def beyond(at: float, n: int) -> Reply:
        return Reply(0.9, fault=Fault.REFUSED_11)

    async with shift({"gw": {"dead": "1 s", "ai": "1 s"}}, {"dead": beyond, "ai": well()}) as s:
        await s.clock.forward(60)
        assert s.poller.modules["dead"].silences < 20
        assert set(s.column(0)) == {"REFUSED_11", "NOT_POLLED"}


async def test_a_refusing_module_is_asked_at_every_instant() -> None:
    async with shift(
        {"a": {"ai": "1 s", "di": "1 s"}}, {"ai": lambda at, n: Reply(fault=Fault.REFUSED_2), "di": well()}
    ) as s:
        await s.clock.forward(9.5)
        assert s.column(0) == ["REFUSED_2"] * 10
        assert s.poller.modules["ai"].answers == 10


async def test_a_plan_is_made_for_the_link_its_module_is_on() -> None:
    plant = links({"a": {"a1": "10 s"}, "b": {"b1": "10 s"}})
    asked: list[tuple[str, str]] = []

    def plans(module: Module, link: Link) -> ReadPlan:
        asked.append((module.name, link.name))
        return simple_plan(module)

    s = Shift(plant, {})
    await Poller(plant, s.drivers, s.clock, s.deliver, plans=plans).stop()
    assert asked == [("a1", "a"), ("b1", "b")]


async def test_a_module_that_may_take_long_is_left_alone_for_longer_when_it_is_silent() -> None:
    """A silence of it costs its link what it may take, so its tries are spaced by that."""
    spec = {"a": {"dead": "1 s", "ai": "1 s"}}
    script = {"dead": silent_between(0, 1e9, 2.0), "ai": well()}
    tries = []
    for worst in (None, 2.0):
        plant = links(spec)
        dead = plant.modules[0].model_copy(update={"answers_within": worst})
        link = plant.links[0].model_copy(update={"timeout": None})
        plant = plant.model_copy(update={"modules": (dead, plant.modules[1]), "links": (link,)})
        s = Shift(plant, script)
        poller = Poller(plant, s.drivers, s.clock, s.deliver)
        run = asyncio.create_task(poller.run())
        await quiet()
        await s.clock.forward(120)
        await poller.stop()
        await run
        tries.append(poller.modules["dead"].asked)
    assert tries[1] <= 120 / (SHARE * 2.0) + 4  # at most a quarter of the link, and the first few tries
    assert tries[0] > 1.5 * tries[1]


async def test_a_link_that_waits_less_than_a_module_may_take_still_reckons_with_what_its_silence_costs() -> None:
    """The driver leaves the line quiet for all of the declared worst answer time."""
    plant = links({"panel": {"dead": "1 s", "ai": "1 s"}}, timeout="200 ms")
    slow = plant.modules[0].model_copy(update={"answers_within": 2.0})
    plant = plant.model_copy(update={"modules": (slow, plant.modules[1])})
    s = Shift(plant, {"dead": lambda at, n: silence(2.0), "ai": well()})
    poller = Poller(plant, s.drivers, s.clock, s.deliver)
    run = asyncio.create_task(poller.run())
    await quiet()
    await s.clock.forward(120)
    await poller.stop()
    await run
    assert 10 < poller.modules["dead"].asked <= 120 / (SHARE * 2.0) + 4
