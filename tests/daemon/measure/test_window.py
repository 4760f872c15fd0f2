"""Sums over the last day."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from daemon.measure.window import HOUR_MS, HOURS, Sums, fresh_sums, turn

STEPS = st.lists(st.tuples(st.integers(0, 5 * HOUR_MS), st.integers(0, 9)), max_size=60)


@given(steps=STEPS)
def test_the_window_holds_the_hour_in_progress_and_the_24_before_it(steps: list[tuple[int, int]]) -> None:
    c, t, added = fresh_sums(1), 0, list[tuple[int, int]]()
    for dt, x in steps:
        t += dt
        turn(c, t)
        c.now[0] += x
        added.append((t // HOUR_MS, x))
        assert c.of(0) == sum(x for hour, x in added if hour >= t // HOUR_MS - HOURS)
        assert len(c.past) <= HOURS


@given(steps=STEPS)
def test_a_window_packed_and_cloned_goes_on_as_it_was(steps: list[tuple[int, int]]) -> None:
    a, b, t = fresh_sums(2), fresh_sums(2), 0
    for dt, x in steps:
        t += dt
        for c in (a, b):
            turn(c, t)
            c.now[1] += x
        b = Sums.unpack(b.pack()) if x % 2 else b.clone()
        assert a == b
