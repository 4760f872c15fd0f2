"""What dead modules cost their neighbours, and how soon one that returns is read, to the instant of plant time."""

from __future__ import annotations

import asyncio
import itertools
from dataclasses import replace

from hypothesis import example, given, settings
from hypothesis import strategies as st

from config.model import Link, Module
from daemon.acquire.backoff import SHARE, Silent, Try, tries
from daemon.acquire.poller import Poller
from daemon.acquire.turns import MARGIN_S
from drivers.contract import ReadPlan
from tests.daemon.acquire.test_poller import Shift, shift, silent_between, well
from tests.support.clock import quiet
from tests.support.peers import Reply, silence, simple_plan
from tests.support.plants import links

DUE = 10.0


def names(kind: str, n: int) -> list[str]:
    return [f"{kind}{i}" for i in range(n)]


@settings(max_examples=40, deadline=None)
@given(
    living=st.integers(1, 6),
    dead=st.integers(1, 6),
    timeout=st.sampled_from((0.1, 0.25, 0.6, 1.0, 1.9)),
    answer=st.sampled_from((0.004, 0.05, 0.15)),
    back=st.floats(65, 95),
)
@example(living=1, dead=6, timeout=1.0, answer=0.15, back=70.0)
def test_tries_that_fit_between_two_instants_cost_nobody_anything_and_find_who_returns_within_one_interval(
    living: int, dead: int, timeout: float, answer: float, back: float
) -> None:
    """Every 10 s; the tries at all the dead take less than what the living leave over, so all are tried each time."""
    if living * answer + dead * (timeout + MARGIN_S) > DUE:
        return

    async def play() -> Shift:
        script = {m: well(answer) for m in names("ok", living)}
        script |= {m: silent_between(5, back, timeout) for m in names("dead", dead)}
        spec = {"panel": dict.fromkeys(script, "10 s")}
        s = Shift(links(spec, timeout=f"{round(timeout * 1000)} ms"), script)
        run = asyncio.create_task(s.poller.run())
        await quiet()
        await s.clock.forward(135)
        await s.poller.stop()
        await run
        return s

    s = asyncio.run(play())
    for k in range(living):
        assert "NO_ANSWER" not in s.column(k)
        assert all(x.delay_ms <= round(1000 * answer * (k + 1)) for p in s.seen for x in p.scans if x.module == k)
    for k, name in enumerate(names("dead", dead), living):
        # at 5 s all die at once; two a group are found out, the others' turn comes at the next instants
        asked = [at for at, m in s.drivers["panel"].asked if m == name and at >= 40]
        assert all(b - a <= DUE + dead * timeout for a, b in itertools.pairwise(asked))
        first = next(at for at in asked if at >= back)
        assert first <= back + DUE + dead * timeout, "it was not read within one interval of its return"
        instants = [p.due for p in s.seen if any(x.module == k and x.counts[0] is not None for x in p.scans)]
        stored = next(at for at in instants if at > 5)
        assert stored <= back + 2 * DUE  # a try after the group had closed finds it; the next instant keeps its value
        assert instants[instants.index(stored) :] == [DUE * i for i in range(round(stored / DUE), 14)]


async def test_one_dead_module_is_tried_in_its_group_so_its_first_value_is_kept() -> None:
    script = {"dead": silent_between(5, 33), "ai": well(0.1), "di": well(0.1)}
    async with shift({"panel": {"dead": "10 s", "ai": "10 s", "di": "10 s"}}, script) as s:
        await s.clock.forward(55)
        assert s.column(0) == [0, "NO_ANSWER", "NO_ANSWER", "NO_ANSWER", 4, 5]
        assert s.column(1) == [0, 1, 2, 3, 4, 5]


async def test_several_dead_modules_share_what_the_living_leave_over() -> None:
    """Twelve tries of 1 s do not fit into 10 s: each waits its turn, and none is left out."""
    dead = names("dead", 12)
    script = {m: silent_between(5, 1e9) for m in dead} | {"ai": well(0.1)}
    async with shift({"panel": dict.fromkeys(script, "10 s")}, script) as s:
        await s.clock.forward(605)
        asked = {m: sum(1 for _, x in s.drivers["panel"].asked if x == m) for m in dead}
        assert max(asked.values()) - min(asked.values()) <= 6, asked  # some died a minute before others were found out
        assert min(asked.values()) >= 0.8 * 600 / 12 / (1 + MARGIN_S)
        # it comes last, and twelve timeouts pass before all the dead are known: two of its instants are lost once
        assert [i for i, c in enumerate(s.column(12)) if c == "NO_ANSWER"] == [1, 2]
        assert {x.delay_ms for p in s.seen[4:] for x in p.scans if x.module == 12} == {100}


async def test_where_no_try_fits_a_dead_module_costs_its_neighbours_one_timeout_in_each_time_it_is_left_alone() -> None:
    """A neighbour every 500 ms, a timeout of 1 s: each try costs two or three polls, four timeouts apart."""
    script = {"dead": silent_between(5, 200), "ai": well(0.01)}
    async with shift({"panel": {"dead": "1 s", "ai": "500 ms"}}, script) as s:
        await s.clock.forward(260)
        asked = [at for at, m in s.drivers["panel"].asked if m == "dead" and 30 < at < 200]
        apart = [b - a for a, b in itertools.pairwise(asked)]
        assert min(apart) >= SHARE * 1.0 - 0.5
        missed = [p.due for p in s.seen if 30 < p.due < 200 for x in p.scans if x.module == 1 and x.counts[0] is None]
        assert len(missed) <= 2 * len(asked) + 2
        assert all(any(at <= due + 0.5 and due <= at + 1.5 for at in asked) for due in missed)
        found = next(at for at, m in s.drivers["panel"].asked if m == "dead" and at >= 200)
        assert found <= 200 + SHARE * 1.0 + 1.0


async def test_a_module_whose_reading_clears_is_never_read_beside_its_group() -> None:
    """What it answers there would be thrown away, and what its registers held with it."""

    def plan(module: Module, link: Link) -> ReadPlan:
        return replace(simple_plan(module), clears=frozenset({0}))

    dead = names("dead", 3)
    script = {m: silent_between(5, 45) for m in dead} | {"ai": well(0.1)}
    s = Shift(links({"panel": dict.fromkeys(script, "10 s")}), script)
    poller = Poller(s.plant, s.drivers, s.clock, s.deliver, plans=plan)
    run = asyncio.create_task(poller.run())
    await quiet()
    await s.clock.forward(155)
    await poller.stop()
    await run
    good = sum(1 for p in s.seen for x in p.scans if x.module < 3 and x.counts[0] is not None)
    answered = sum(stats.answers for name, stats in poller.modules.items() if name != "ai")
    assert good == answered > 20, "an answer was thrown away"
    assert all(stats.late == 0 for stats in poller.modules.values())


def test_a_try_waits_for_the_rest_of_its_module_and_that_counts() -> None:
    one = Silent(costs=1.0, rest=0.0, overdue=False, keeps=False, every=10.0)
    assert tries([one], 0.0, 2.0, 10.0) == [Try.NOW]
    assert tries([replace(one, rest=1.5)], 0.0, 2.0, 10.0) == [Try.BESIDE]
    assert tries([replace(one, rest=9.5)], 0.0, 2.0, 10.0) == [Try.NONE]
    assert tries([replace(one, rest=1.5, keeps=True)], 0.0, 2.0, 10.0) == [Try.NONE]
    assert tries([one] * 3, 0.5, 2.0, 2.9) == [Try.NOW, Try.BESIDE, Try.NONE]


def test_only_a_module_whose_try_never_fits_makes_others_wait() -> None:
    late = Silent(costs=1.0, rest=0.0, overdue=True, keeps=False, every=10.0)
    assert tries([late], 0.0, 0.5, 0.5) == [Try.NOW]
    assert tries([replace(late, overdue=False)], 0.0, 0.5, 0.5) == [Try.NONE]
    # at one instant no longer than a quarter of its interval, and one at least
    assert tries([late] * 4, 0.0, 0.5, 0.5) == [Try.NOW, Try.NOW, Try.NONE, Try.NONE]
    assert tries([replace(late, every=1.0)] * 2, 0.0, 0.5, 0.5) == [Try.NOW, Try.NONE]
    # it would fit were it first: it is, once those before it have been tried
    assert tries([late] * 3, 0.0, 2.0, 2.5) == [Try.NOW, Try.NOW, Try.NONE]


@given(st.lists(st.tuples(st.floats(0.01, 3), st.floats(0, 12), st.booleans()), max_size=8), st.floats(0, 5))
def test_tries_that_are_not_overdue_never_reach_into_the_next_instant(
    modules: list[tuple[float, float, bool]], free: float
) -> None:
    silent = [Silent(costs, rest, False, keeps, DUE) for costs, rest, keeps in modules]
    end = free
    for module, what in zip(silent, tries(silent, free, 2.0, DUE), strict=True):
        if what is not Try.NONE:
            end = max(end, module.rest) + module.costs
            assert end <= (2.0 if what is Try.NOW else DUE)
            assert what is Try.NOW or not module.keeps


async def test_silence_and_answers_in_turn_never_keep_a_living_module_from_its_instant() -> None:
    """A module that answers every third time is neither dead nor well; its neighbours do not notice."""
    flaky = lambda at, n: Reply(0.02, count=n) if n % 3 == 0 else silence(0.3)  # noqa: E731
    script = {"flaky": flaky, "ai": well(0.02)}
    spec = {"panel": {"flaky": "1 s", "ai": "1 s"}}
    s = Shift(links(spec, timeout="300 ms"), script)
    run = asyncio.create_task(s.poller.run())
    await quiet()
    await s.clock.forward(100.5)
    await s.poller.stop()
    await run
    assert [c for c in s.column(1) if not isinstance(c, int)] == []
    assert sum(isinstance(c, int) for c in s.column(0)) >= 33


async def test_of_registers_that_reading_clears_it_is_told_whether_they_may_have_been_read() -> None:
    """Polled each second by a module that takes five: asked and not heard, not asked, and asked as the stop comes."""

    def plan(module: Module, link: Link) -> ReadPlan:
        return replace(simple_plan(module), clears=frozenset({0}))

    script = {"slow": well(4.5), "ai": well(0.1)}
    s = Shift(links({"panel": dict.fromkeys(script, "1 s")}), script)
    poller = Poller(s.plant, s.drivers, s.clock, s.deliver, plans=plan)
    run = asyncio.create_task(poller.run())
    await quiet()
    await s.clock.forward(4.7)  # slow was asked at 0 and heard at 4.5, long after its group; ai is asked then
    await s.clock.forward(2.0)  # slow is asked again at 5.0
    await poller.stop()
    await run
    # the group it was asked for closed without it: its counts may be gone; the next found it busy: not asked
    assert s.column(0)[:3] == ["NO_ANSWER", "NOT_ASKED", "NOT_ASKED"]
    assert set(s.column(1)[:4]) == {"NOT_ASKED"}
    assert s.column(0)[-2:] == ["NO_ANSWER", "NOT_ASKED"]


async def test_a_stop_in_the_middle_of_a_read_says_what_it_cut_off() -> None:
    def plan(module: Module, link: Link) -> ReadPlan:
        return replace(simple_plan(module), clears=frozenset({0}))

    script = {"slow": well(0.9), "ai": well(0.1)}
    s = Shift(links({"panel": dict.fromkeys(script, "10 s")}), script)
    poller = Poller(s.plant, s.drivers, s.clock, s.deliver, plans=plan)
    run = asyncio.create_task(poller.run())
    await quiet()
    await s.clock.forward(0.5)
    await poller.stop()
    await run
    assert (s.column(0), s.column(1)) == (["CUT_OFF"], ["STOPPING"])
