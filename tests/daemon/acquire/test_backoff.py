"""How long a silent module is left alone."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from daemon.acquire.backoff import LONGEST_S, SHARE, wait_s


def test_alone_it_is_tried_again_after_one_timeout() -> None:
    assert [wait_s(n, 1.0, 1, 0) for n in (1, 2, 9)] == [1.0, 1.0, 1.0]


def test_among_neighbours_the_wait_grows_to_four_timeouts_for_each_silent_module() -> None:
    assert [wait_s(n, 1.0, 1, 7) for n in range(1, 6)] == [2, 4, 4, 4, 4]
    assert [wait_s(n, 1.0, 3, 5) for n in range(1, 7)] == [2, 4, 8, 12, 12, 12]


def test_it_never_grows_beyond_thirty_seconds() -> None:
    assert wait_s(50, 1.0, 20, 1) == LONGEST_S == 30


@given(st.integers(1, 10_000), st.floats(0.01, 5), st.integers(1, 30), st.integers(0, 30))
def test_silence_takes_at_most_its_share_of_a_link_others_use(n: int, timeout: float, silent: int, others: int) -> None:
    wait = wait_s(n, timeout, silent, others)
    assert timeout <= wait <= LONGEST_S
    if n > 10 and others and wait < LONGEST_S:
        assert silent * timeout / wait <= 1 / SHARE + 1e-9
    assert wait <= wait_s(n + 1, timeout, silent, others)
