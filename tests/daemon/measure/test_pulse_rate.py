"""Flow from pulses: bounds where there are few, a fall where there are none, by hand and by property."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from daemon.core.reasons import Reason
from daemon.measure.counter import Counter
from daemon.measure.meter_spec import HOUR_MS, MeterSpec
from daemon.measure.pulse_rate import Flow

POLL_MS = 10_000


def spec(pulse: float = 0.1, max_rate: float = 20.0, least: float = 0.0) -> MeterSpec:
    return MeterSpec(1 << 32, pulse, max_rate / pulse / HOUR_MS, 1000.0, least / pulse / HOUR_MS)


def metered(instants_ms: list[float], until_ms: int, it: MeterSpec) -> Counter:
    """The counter after polls every ten seconds of pulses at these instants."""
    counter = Counter()
    for t in range(0, until_ms + 1, POLL_MS):
        counter.step(sum(p <= t for p in instants_ms), t, it)
    return counter


def flow(counter: Counter, it: MeterSpec, at_ms: int = -1) -> Flow:
    found = counter.pace.flow(counter.last_elapsed_ms if at_ms < 0 else at_ms, it)
    assert found is not None
    return found


def test_a_pulse_every_seventy_seconds_is_timed_over_several() -> None:
    it = spec()
    even = [70_000.0 * k + 3_000 for k in range(60)]
    for until in range(1_500_000, 2_500_000, 70_000):
        got = flow(metered(even, until, it), it)
        assert got.rate == approx(0.1 * 3600 / 70, rel=0.03)
        assert got.low <= 0.1 * 3600 / 70 <= got.high
        assert got.reason == Reason.GOOD


def test_two_pulses_close_together_are_bounds_and_not_a_number() -> None:
    it = spec()
    got = flow(metered([12_000, 34_000], 40_000, it), it)  # seen at 20 s and 40 s
    assert got.rate == approx(18.0)
    assert (got.low, got.high) == (approx(12.0), approx(36.0))  # within 30 s to 10 s of each other
    assert got.low <= 0.1 * 3600 / 22 <= got.high
    assert got.reason == Reason.FEW_PULSES


def test_pulses_of_one_instant_tell_no_time() -> None:
    it, counter = spec(), Counter()
    for count in (0, 1, 2):
        counter.step(count, 0, it)
    assert counter.pace.flow(0, it) is None


def test_a_rate_falls_as_one_pulse_in_the_time_since_the_last() -> None:
    it = spec()
    counter = metered([20_000.0 * k for k in range(1, 40)], 800_000, it)
    full = flow(counter, it, 780_000).rate
    assert full == approx(18.0)
    for quiet_s in (30, 60, 600, 6000):
        got = flow(counter, it, 780_000 + quiet_s * 1000)
        assert got.rate == approx(min(full, 0.1 * 3600 / quiet_s))
        assert (got.low, got.high) == (0.0, approx(0.1 * 3600 / quiet_s))
        assert got.reason == Reason.FEW_PULSES


def test_below_the_least_flow_of_the_meter_it_stands_still() -> None:
    it = spec(least=0.5)  # a pulse in 720 s
    counter = metered([20_000.0 * k for k in range(1, 40)], 800_000, it)
    assert flow(counter, it, 780_000 + 719_000).rate > 0.5
    got = flow(counter, it, 780_000 + 721_000)
    assert (got.rate, got.reason) == (0.0, Reason.GOOD)
    slow = metered([1_000_000.0 * k for k in range(1, 8)], 7_000_000, it)
    got = flow(slow, it)
    assert got.rate == approx(0.36)
    assert got.reason == Reason.BELOW_MINIMUM_FLOW


def test_flow_that_begins_again_is_not_averaged_with_the_pause() -> None:
    it = spec()
    first = [20_000.0 * k for k in range(1, 40)]
    pause = 6 * 3_600_000
    again = [pause + 20_000.0 * k for k in range(40)]
    counter = metered(first + again, pause, it)
    assert flow(counter, it).rate < 0.02
    counter = metered(first + again, pause + 20_000, it)
    got = flow(counter, it)
    assert got.low <= 18.0 <= got.high
    counter = metered(first + again, pause + 700_000, it)
    assert flow(counter, it).rate == approx(18.0, rel=0.01)


def test_a_meter_that_never_moved_stands_still_within_bounds() -> None:
    it = spec(least=0.5)
    counter = metered([], 60_000, it)
    got = flow(counter, it)
    assert (got.rate, got.high, got.reason) == (0.0, approx(6.0), Reason.FEW_PULSES)
    got = flow(counter, it, 730_000)
    assert (got.rate, got.reason) == (0.0, Reason.GOOD)


@given(
    st.floats(300.0, 400_000.0),
    st.floats(0.0, 1.0),
    st.sampled_from([1000, 5000, 10_000, 60_000]),
    st.integers(2, 120),
)
def test_an_even_flow_lies_within_its_bounds(spacing_ms: float, phase: float, poll_ms: int, polls: int) -> None:
    it = MeterSpec(1 << 32, 0.1, 1.0)
    counter = Counter()
    for k in range(polls + 1):
        counter.step(int((k * poll_ms) / spacing_ms + phase), k * poll_ms, it)
    got = counter.pace.flow(polls * poll_ms, it)
    true = HOUR_MS * 0.1 / spacing_ms
    if got is not None:
        assert got.low <= true * (1 + 1e-9)
        assert true <= got.high * (1 + 1e-9)
        assert got.low <= got.rate <= got.high or got.rate == approx(got.high)


@given(st.lists(st.tuples(st.integers(1, 600_000), st.integers(0, 50)), max_size=60), st.integers(0, 10**9))
def test_no_pulses_and_times_make_a_rate_that_is_no_number(steps: list[tuple[int, int]], quiet_ms: int) -> None:
    it = spec(max_rate=1e6, least=1e-3)
    counter, t, count = Counter(), 0, 0
    counter.step(0, 0, it)
    for gap, n in steps:
        t, count = t + gap, count + n
        counter.step(count, t, it)
        got = counter.pace.flow(t, it)
        later = counter.pace.flow(t + quiet_ms, it)
        if got is not None and later is not None:
            assert 0 <= later.rate <= got.rate
            assert 0 <= got.low <= got.high


def test_pulses_below_the_least_flow_make_the_total_at_least() -> None:
    it = spec(least=0.5)  # a pulse in 720 s
    slow = metered([1_000_000.0 * k for k in range(1, 8)], 7_000_000, it)
    assert slow.total == 7
    assert slow.slow == 6  # the first has none before it to tell a time by
    fast = metered([20_000.0 * k for k in range(1, 40)], 800_000, it)
    assert (fast.total, fast.slow) == (39, 0)
