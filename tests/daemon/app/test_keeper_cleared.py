"""Increments of registers that reading clears, while the disk refuses: stored once, also of groups that are dropped."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.load import loads
from daemon.acquire.poller import Polled
from daemon.app import keeper as keeper_module
from daemon.app.increments import Increments
from daemon.core.reasons import Reason
from daemon.core.scan import Group, Scan
from daemon.engine import start, step
from daemon.store.reader import Reader
from tests.daemon.app import test_keeper
from tests.daemon.app.test_keeper import Bench, bench, broken
from tests.daemon.measure.test_counter_cleared import CLEARED
from tests.support.faultvfs import FaultDisk

PLANT = loads(CLEARED).plant


def scan(count: int | None) -> Scan:
    if count is None:
        return Scan(0, (None,) * 10, (int(Reason.NOT_POLLED),) * 10)
    return Scan(0, (30_000, 0, count, *(0,) * 7), (0,) * 10)


async def polls(b: Bench, *counts: int | None) -> None:
    for count in counts:
        await b.clock.forward(10)
        await b.keeper.deliver(Polled(b.clock.elapsed(), (scan(count),)))


def total(b: Bench) -> int:
    assert b.keeper.state is not None
    return b.keeper.state.cells.senses.counters[0].total


async def test_what_dropped_groups_held_is_stored_with_the_next_and_stepping_again_gives_the_same_total(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper_module, "WAIT_MS", 60_000)
    monkeypatch.setattr(test_keeper, "TEXT", CLEARED)
    store = tmp_path / "w.db"
    with FaultDisk() as disk:
        async with bench(store, disk.name) as b:
            await polls(b, 9, 1, 1)
            disk.fail = lambda number, kind: broken()
            await polls(b, *(1, 0) * 10, None, None)
            disk.fail = lambda number, kind: None
            await polls(b, 1, 0)
            assert total(b) == 13
    with Reader(store) as reader:
        groups = [g.group for g in reader.groups()]
    assert len(groups) < 15, "none was dropped"
    assert sum(g.scans[0].counts[2] or 0 for g in groups if g.scans) == 9 + 13
    state, _ = step(start(PLANT, groups[0].plant), groups)
    assert state.cells.senses.counters[0].total == 13
    assert state.cells.senses.counters[0].restarts == 1  # the gap in the log
    async with bench(store, start_ms=1_789_000_000_000 + 900_000) as b:
        assert total(b) == 13


async def test_a_kill_while_groups_wait_loses_what_they_held_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(test_keeper, "TEXT", CLEARED)
    store = tmp_path / "w.db"
    with FaultDisk() as disk:
        async with bench(store, disk.name) as b:
            await polls(b, 0, 1, 1)
            disk.fail = lambda number, kind: broken()
            await polls(b, 1, 1, 1)
            assert total(b) == 5
            await b.keeper.ended()  # not while groups wait
            disk.fail = lambda number, kind: None
    async with bench(store, start_ms=1_789_000_000_000 + 100_000) as b:
        assert total(b) == 2
        await polls(b, 1)
        assert total(b) == 3
        assert b.keeper.state is not None and b.keeper.state.cells.senses.counters[0].restarts == 1


async def test_a_clean_stop_says_so_and_the_next_run_doubts_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(test_keeper, "TEXT", CLEARED)
    store = tmp_path / "w.db"
    async with bench(store) as b:
        await polls(b, 0, 1, 1)
        await b.keeper.ended()
        await b.keeper.deliver(Polled(b.clock.elapsed(), ()))
    # the clock was set back meanwhile: there is a gap all the same, of which nobody knows how long it was
    async with bench(store, start_ms=1_789_000_000_000 - 3_600_000) as b:
        await polls(b, 2)
        assert b.keeper.state is not None
        assert (total(b), b.keeper.state.cells.senses.counters[0].restarts) == (4, 0)
    async with bench(store, start_ms=1_789_000_000_000 - 7_200_000) as b:  # killed before, set back again
        await polls(b, 1)
        assert b.keeper.state is not None
        assert (total(b), b.keeper.state.cells.senses.counters[0].restarts) == (5, 1)


@given(st.lists(st.tuples(st.one_of(st.none(), st.integers(0, 65_535)), st.booleans()), max_size=30))
def test_whatever_is_dropped_the_counts_stored_add_up_and_fit_their_registers(
    polls: list[tuple[int | None, bool]],
) -> None:
    held, kept = Increments(), 0
    for i, (count, dropped) in enumerate(polls):
        group = Group(i, 0, 0, 1, 1, (scan(count),))
        if dropped:
            held.keep(PLANT, group)
        else:
            stored = held.put(PLANT, group).scans[0].counts[2]
            assert (stored is None) == (count is None)
            assert stored is None or count is None or count <= stored <= 65_535
            kept += int(stored or 0)
    for _ in range(40):
        kept += int(held.put(PLANT, Group(0, 0, 0, 1, 1, (scan(0),))).scans[0].counts[2] or 0)
    assert kept == sum(count or 0 for count, _ in polls)
    assert not held.held
