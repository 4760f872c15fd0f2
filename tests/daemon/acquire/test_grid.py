"""The instants of the grid."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.acquire.grid import Grid, Instant


def test_all_are_due_at_the_start() -> None:
    grid = Grid([10_000, 1000])
    assert grid.next_ms() == 0
    assert grid.take(0) == ((Instant(0, (0, 1)),), 0)
    assert grid.next_ms() == 1000


def test_taken_twice_at_one_time_it_gives_nothing_twice() -> None:
    grid = Grid([1000])
    grid.take(0)
    assert grid.take(999) == ((), 0)


def test_a_late_start_on_an_older_grid_begins_with_the_next_multiple() -> None:
    grid = Grid([10_000, 4000], start_ms=21_000)
    assert grid.next_ms() == 24_000
    assert grid.take(30_000) == ((Instant(28_000, (1,)), Instant(30_000, (0,))), 1)


def test_an_interval_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1 ms"):
        Grid([0])


def test_without_modules_there_is_a_heartbeat_every_ten_seconds() -> None:
    grid = Grid([])
    assert grid.take(10_000) == ((Instant(10_000, ()),), 0)
    assert grid.take(45_500) == ((Instant(40_000, ()),), 0)
    assert grid.next_ms() == 50_000


def test_looked_at_late_the_heartbeat_of_the_past_is_left_out_too() -> None:
    grid = Grid([10_001])
    grid.take(0)
    assert grid.take(20_001) == ((Instant(10_001, (0,)),), 0)
    assert grid.next_ms() == 20_002


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.integers(100, 70_000), min_size=1, max_size=6),
    st.lists(st.integers(0, 30_000), max_size=60),
)
def test_however_late_one_looks_each_poll_is_taken_or_counted_and_none_is_off_the_grid(
    every: list[int], steps: list[int]
) -> None:
    grid, now, last, taken, lost = Grid(every), 0, -1, 0, 0
    for step in [0, *steps]:
        now += step
        instants, skipped = grid.take(now)
        lost += skipped
        for instant in instants:
            assert last < instant.ms <= now
            assert instant.ms - max(last, 0) <= 10_000 or step > 0
            last = instant.ms
            taken += len(instant.modules)
            assert all(instant.ms % every[m] == 0 for m in instant.modules)
            assert list(instant.modules) == sorted(set(instant.modules))
        assert grid.next_ms() > now
        assert grid.next_ms() - now <= 10_000
    assert taken + lost == sum(now // e + 1 for e in every)
