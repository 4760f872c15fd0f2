"""The wall controllers: what they command, and when their alarm relay closes."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from drivers.demo.controller import Controller, Setting, step_controller

TIMED, CONTINUOUS = Setting(), Setting(sampled=False)


def play(
    c: Controller, s: Setting, readings: list[float], running: bool = True, hand: bool = False
) -> list[Controller]:
    out = []
    for r in readings:
        c = step_controller(c, s, r, running, hand, 1.0)
        out.append(c)
    return out


def openings(states: list[Controller]) -> list[tuple[int, int]]:
    """(second it opened, seconds open) of each finished opening."""
    found, since = [], None
    for n, c in enumerate(states):
        if c.command and since is None:
            since = n
        elif not c.command and since is not None:
            found.append((since, n - since))
            since = None
    return found


def test_timed_sample_opens_a_minute_every_half_hour_when_the_water_is_in_order() -> None:
    seen = openings(play(Controller(left=60.0), TIMED, [2900.0] * 6000))
    assert [round(length, -1) for _, length in seen] == [60, 60, 60, 60]
    gaps = [b - a for (a, _), (b, _) in pairwise(seen)]
    assert all(1855 <= g <= 1865 for g in gaps)


def test_timed_sample_keeps_blowing_to_set_point_less_differential() -> None:
    falling = [3100.0 - 0.25 * max(0, n - 100) for n in range(3000)]
    (start, length), *_ = openings(play(Controller(left=100.0), TIMED, falling))
    # 2900 is reached 800 s after second 100
    assert 100 <= start <= 102 and 797 <= start + length - 100 <= 803


def test_a_reading_between_the_two_levels_starts_no_blow() -> None:
    assert [n for _, n in openings(play(Controller(), TIMED, [2950.0] * 300))] == [61]


def test_a_blow_without_end_runs_into_its_limit_and_says_so() -> None:
    states = play(Controller(), TIMED, [3200.0] * 3000)
    ((_, length),) = openings(states)
    assert 2700 + 60 <= length <= 2700 + 65
    assert not states[2700].alarm and states[-1].alarm
    good = play(states[-1], TIMED, [2900.0] * 2000)
    assert good[0].alarm and not good[-1].alarm  # the next good sample opens the relay again


def test_continuous_sample_has_hysteresis() -> None:
    climbing = [2890.0 + 0.1 * n for n in range(1200)]  # passes 2900 and 3000
    up = play(Controller(), CONTINUOUS, climbing)
    first = next(n for n, c in enumerate(up) if c.command)
    assert 3000.0 <= climbing[first] <= 3000.3
    down = play(up[-1], CONTINUOUS, [3000.0 - 0.1 * n for n in range(1200)])
    last = max(n for n, c in enumerate(down) if c.command)
    assert 2899.8 <= 3000.0 - 0.1 * (last + 1) <= 2900.2


def test_the_alarm_relay_holds_a_little() -> None:
    c = Controller()
    states = [c := step_controller(c, CONTINUOUS, r, True, True, 1.0) for r in (3440, 3460, 3440, 3370, 3350, 3440)]
    assert [s.alarm for s in states] == [False, True, True, True, False, False]


@given(
    st.lists(
        st.tuples(st.floats(0, 5000), st.booleans(), st.booleans()),
        min_size=1,
        max_size=400,
    ),
    st.booleans(),
)
def test_out_of_automatic_or_with_the_limit_circuit_open_nothing_is_commanded(
    steps: list[tuple[float, bool, bool]], sampled: bool
) -> None:
    c, s = Controller(), Setting(sampled=sampled, settle=3.0, every=5.0, open=2.0)
    for reading, running, hand in steps:
        c = step_controller(c, s, reading, running, hand, 1.0)
        if hand or not running:
            assert not c.command
