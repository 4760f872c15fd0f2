"""Pulse counters, against tests/reference/water_meters.csv and by property."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config import units
from config.model import Channel, Meter, Module
from daemon.core.reasons import Reason
from daemon.measure.counter import OVERLOAD, Counter, wrapped_step
from daemon.measure.dial import AGREES
from daemon.measure.meter_spec import MeterSpec, meter_spec
from tests.support.published import Row, rows, table

HOUR = 3_600_000
GPM = units.quantity("1 gpm", "volume flow")


def spec(bits: int = 16, pulse: float = 0.1, max_rate: float = 20.0) -> MeterSpec:
    return MeterSpec(1 << bits if bits else 0, pulse, max_rate / pulse / HOUR)


def polled(counts: list[int | None], it: MeterSpec, every_ms: int = 10_000) -> tuple[Counter, list[int]]:
    """The counter after polls of these counts and the reason of each."""
    counter = Counter()
    return counter, [counter.step(c, i * every_ms, it) for i, c in enumerate(counts)]


@pytest.mark.parametrize("row", rows("water_meters", "counts between two readings"), ids=str)
def test_counts_across_the_end_of_a_counter(row: Row) -> None:
    bits = int(re.search(r"(\d+)-bit", row.quantity)[1])  # type: ignore[index]
    old, new = int(row.inputs["old"]), int(row.inputs["new"])
    assert wrapped_step(old, new, 1 << bits) == row.number
    # and in a counter that may pass so much in the time: 150 pulses of 0.1 m3 at 20 m3/h take 45 min
    counter, reasons = polled([old, new], spec(bits), every_ms=HOUR)
    assert (counter.total, reasons) == (row.number, [0, 0])


@pytest.mark.parametrize("row", rows("water_meters", "volume at which the counter rolls over"), ids=str)
def test_volume_of_one_round(row: Row) -> None:
    text = row.text
    bits = int(re.search(r"(\d+)-bit", text)[1])  # type: ignore[index]
    pulse = float(re.search(r"([\d.]+) (?:gal|m3) per pulse", text)[1])  # type: ignore[index]
    counter = Counter(total=1 << bits)
    assert counter.volume(spec(bits, pulse)) == pytest.approx(row.number)


@pytest.mark.parametrize("row", rows("water_meters", "time to one rollover"), ids=str)
def test_a_gap_of_one_round_at_full_flow_is_where_a_total_stops_being_certain(row: Row) -> None:
    text = row.text
    pulse = float(re.search(r"([\d.]+) gal per pulse", text)[1]) * units.GAL_M3  # type: ignore[index]
    flow = row.inputs["flow"] * GPM
    it = spec(16, pulse, flow)
    one_round = row.number * HOUR
    for gap, reason in ((one_round * 0.998, Reason.GOOD), (one_round * 1.002, Reason.COUNTER_RESTARTED)):
        counter = Counter()
        counter.step(10, 0, it)
        assert counter.step(11, round(gap), it) == reason


@pytest.mark.parametrize("row", rows("water_meters", "average flow from a pulse count"), ids=str)
def test_flow_from_pulses(row: Row) -> None:
    # as many even pulses as the row says, after one that starts the time
    text = row.text
    pulse = float(re.search(r"([\d.]+) gal per pulse", text)[1]) * units.GAL_M3  # type: ignore[index]
    n, interval_ms = int(row.inputs["pulses"]), int(row.inputs["interval"] * 1000)
    it = spec(32, pulse, 1000 * GPM)
    counter = Counter()
    counter.step(0, 0, it)
    counter.step(1, 1000, it)
    for k in range(1, n + 1):
        counter.step(1 + k, 1000 + round(k * interval_ms / n), it)
    got = counter.rate(1000 + interval_ms, it)
    assert got is not None
    # instants are whole milliseconds
    assert got / GPM == pytest.approx(row.number, rel=2e-3)


@pytest.mark.parametrize("row", rows("water_meters", "volume conversion"), ids=str)
def test_volume_units(row: Row) -> None:
    unit = {"1 US gal": "gal", "1 ft3": "ft3", "1 m3": "m3"}[row.text]
    into = {"WM-020": "L", "WM-021": "gal", "WM-022": "gal"}[row.id]
    table = units.UNITS["volume"]
    assert table[unit].factor / table[into].factor == pytest.approx(row.number, rel=1e-6)


@pytest.mark.parametrize("row", rows("water_meters", "flow from a frequency output"), ids=str)
def test_flow_of_a_fast_meter(row: Row) -> None:
    f, k = row.inputs["f"], row.inputs["K"]
    it = spec(32, units.GAL_M3 / k, 100 * GPM)
    counter = Counter()
    for second in range(180):
        counter.step(int(f * second), second * 1000, it)
    got = counter.rate(179_000, it)
    assert got is not None
    assert got / GPM == pytest.approx(row.number, rel=1e-4)


def test_the_figures_come_from_the_plant_file() -> None:
    meter = Meter.model_validate(
        {
            "name": "makeup",
            "channel": "ai.makeup",
            "measures": "makeup",
            "pulse": "100 L",
            "max_rate": "20 m3/h",
            "serves": ("B1",),
        }
    )
    channel = Channel.model_validate({"function": "input", "address": 20, "type": "u32"})
    module = Module.model_validate({"name": "ai", "link": "panel", "channels": {"makeup": channel}})
    got = meter_spec(meter, module, channel)
    assert (got.modulus, got.pulse_m3) == (1 << 32, 0.1)
    assert got.max_per_ms * HOUR == pytest.approx(200)
    assert not got.clears
    cleared = Module.model_validate({**module.model_dump(), "clear_on_read": ["input 21"]})
    assert meter_spec(meter, cleared, channel).clears


def meter(**more: object) -> MeterSpec:
    given = {"name": "makeup", "channel": "ai.makeup", "measures": "makeup", "max_rate": "20 m3/h", "serves": ("B1",)}
    channel = Channel.model_validate({"function": "input", "address": 20, "type": "u32"})
    module = Module.model_validate({"name": "ai", "link": "panel", "channels": {"makeup": channel}})
    return meter_spec(Meter.model_validate(given | more), module, channel, "America/Chicago")


@pytest.mark.parametrize("row", rows("water_meters", "K-factor from a volumetric test"), ids=str)
def test_a_k_factor_is_pulses_per_volume(row: Row) -> None:
    volume = float(re.search(r"volume=([\d.]+) gal", row.text)[1]) * units.GAL_M3  # type: ignore[index]
    got = meter(k_factor=f"{row.number} pulses/gal")
    assert row.inputs["pulses"] * got.pulse_m3 == pytest.approx(volume, rel=1e-4)


@pytest.mark.parametrize("row", rows("water_meters", "Q1, Q2 and Q4 from Q3 and R"), ids=str)
def test_a_meter_of_a_class_is_held_to_its_own_flows(row: Row) -> None:
    """Q3 as `max_rate` and Q1 as `minimum_flow`: all between is counted and is good; below Q1 it is at least."""
    q1, q2, _ = (n / 1000 for n in row.numbers)
    q3 = row.inputs["Q3"]
    it = meter(pulse="1 L", max_rate=f"{q3} m3/h", minimum_flow=f"{q1} m3/h")
    assert it.least_per_ms * HOUR * it.pulse_m3 == pytest.approx(q1, rel=1e-3)

    def metered(flow: float) -> tuple[Counter, list[int]]:
        return polled([int(flow * 10 * k / 3600 / it.pulse_m3) for k in range(1080)], it)  # three hours

    for flow in (q1 * 1.02, q2, q3):
        counter, reasons = metered(flow)
        assert counter.volume(it) == pytest.approx(3 * flow, rel=0.03), row
        assert set(reasons) == {Reason.GOOD}
        assert counter.slow == 0
    counter, _ = metered(q1 * 0.9)
    assert counter.slow > counter.total / 2


@pytest.mark.parametrize("id", ["WM-024", "WM-025", "WM-027"])
def test_figures_of_the_standard_are_those_of_the_rows(id: str) -> None:
    row = table("water_meters")[id]
    if id == "WM-024":  # Q2/Q1, in the rows that give all of them
        for other in rows("water_meters", "Q1, Q2 and Q4 from Q3 and R"):
            assert other.numbers[1] / other.numbers[0] == pytest.approx(row.number)
    elif id == "WM-025":
        assert row.number == OVERLOAD
    else:
        assert pytest.approx(abs(row.number) / 100) == AGREES


def test_a_divider_makes_one_pulse_stand_for_several() -> None:
    assert meter(pulse="10 L", divider=10).pulse_m3 == pytest.approx(0.1)
    assert meter(k_factor="1000 pulses/m3", divider=50).pulse_m3 == pytest.approx(0.05)


@pytest.mark.parametrize("id", ["WM-038", "WM-039"])
def test_balances_are_in_mass(id: str) -> None:
    row = table("water_meters")[id]
    it = meter(pulse="1 gal", temperature={"WM-038": "60 °F", "WM-039": "220 °F"}[id])
    counter = Counter(total=1000)
    assert counter.mass(it) / units.LB_KG == pytest.approx(1000 * row.number, abs=1000 * float(row.tolerance)), row


def test_hot_feedwater_is_four_percent_lighter_and_gas_has_no_mass_of_water() -> None:
    cold, hot = (Counter(total=10).mass(meter(pulse="1 gal", temperature=t)) for t in ("15 °C", "105 °C"))
    assert hot / cold == pytest.approx(0.955, abs=0.001)
    assert Counter(total=10).mass(meter(pulse="1 gal", measures="fuel")) == 0


CHICAGO_20_NOV = 1_795_154_400_000  # 2026-11-20 06:00 UTC


def test_a_new_pulse_weight_applies_from_its_date_on_the_plants_clock() -> None:
    it = meter(pulse="100 L", changes=({"from": "2026-11-20", "pulse": "10 L"},))
    counter = Counter()
    for k in range(11):  # ten pulses before, ...
        counter.step(k, k * 60_000, counter.now(it))
    before = counter.volume(it), counter.mass(it)
    assert before[0] == pytest.approx(1.0)
    assert not counter.turn(it, CHICAGO_20_NOV - 1)
    assert counter.turn(it, CHICAGO_20_NOV)
    assert not counter.turn(it, CHICAGO_20_NOV + 1)
    assert (counter.volume(it), counter.mass(it)) == before
    for k in range(11, 16):  # ... five after it
        counter.step(k, k * 60_000, counter.now(it))
    assert counter.volume(it) == pytest.approx(1.05)
    assert counter.rate(15 * 60_000, it) == pytest.approx(0.6)
    assert counter.mass(it) == pytest.approx(1.05 * 999.1, rel=1e-4)
    assert not counter.turn(it, 0)  # a clock set back undoes nothing


def test_what_a_change_does_not_name_stays() -> None:
    it = meter(k_factor="1000 pulses/m3", divider=10, changes=({"from": "2026-11-20", "divider": 1},))
    assert it.pulse_m3 == pytest.approx(0.01)
    assert it.changes[0].spec.pulse_m3 == pytest.approx(0.001)


def test_the_first_count_is_where_the_total_begins() -> None:
    counter, reasons = polled([48_123], spec())
    assert (counter.total, reasons) == (0, [0])


def test_no_answer_changes_nothing() -> None:
    counter, reasons = polled([10, None, None, 11], spec())
    assert (counter.total, reasons) == (1, [0, 1, 1, 0])


def test_a_module_that_began_again_from_zero_is_no_rollover() -> None:
    # 200 pulses an hour at most: 0.56 in 10 s. From 65000 to 0 would be 536 across the end.
    counter, reasons = polled([65_000, 65_001, 0, 0, 1], spec())
    assert reasons == [0, 0, Reason.COUNTER_RESTARTED, 0, 0]
    assert (counter.total, counter.restarts) == (2, 1)


def test_pulses_counted_since_the_restart_are_added_when_they_can_have_passed() -> None:
    counter, _ = polled([65_000, 2, 3], spec())  # 2 is within 0.56 + 2
    assert counter.total == 3
    counter, _ = polled([65_000, 40_000, 40_001], spec())  # set to some other number: nothing is known of it
    assert counter.total == 1


def test_a_single_zero_read_by_mistake_costs_nothing() -> None:
    counter, reasons = polled([50_000, 50_001, 0, 50_002, 50_003], spec())
    assert reasons == [0, 0, Reason.COUNTER_RESTARTED, 0, 0]
    assert (counter.total, counter.restarts) == (3, 0)


def test_a_step_the_meter_cannot_pass_is_refused_and_then_never_counted() -> None:
    counter, reasons = polled([100, 900, 901, 902], spec())
    assert reasons == [0, Reason.COUNTER_STEP_REFUSED, Reason.COUNTER_RESTARTED, 0]
    assert (counter.total, counter.restarts) == (2, 1)


def test_noise_never_enters_the_total() -> None:
    counter, reasons = polled([100, 900, 30_000, 7, 101], spec())
    assert counter.total == 1
    assert reasons[-1] == 0
    assert all(r in (Reason.COUNTER_STEP_REFUSED, Reason.COUNTER_RESTARTED) for r in reasons[1:-1])


def test_a_reed_that_stutters_at_rest_fills_no_tank() -> None:
    # 200 pulses an hour at most; a reed at the edge of its magnet closes 40 times in one poll and 60 in the next
    counter, reasons = polled([100, 101, 101, 141, 201, *[201] * 9, 202], spec())
    doubt, stutter = Reason.COUNTER_STEP_REFUSED, Reason.METER_STUTTER
    assert reasons == [0, 0, 0, doubt, doubt, stutter, *[0] * 9]
    assert (counter.total, counter.restarts, counter.refused) == (2, 0, 100)


def test_pulses_twice_too_fast_are_stutter_when_they_go_on() -> None:
    counts = [100 + (k * 12) // 10 for k in range(60)]  # 432 an hour on a meter of 200
    counter, reasons = polled(counts, spec())
    assert Reason.METER_STUTTER in reasons[:8]
    assert counter.total <= 6
    assert counter.total + counter.refused == counts[-1] - counts[0]
    # a quarter more than max_rate is let be
    counter, reasons = polled([100 + (k * 68) // 100 for k in range(600)], spec())
    assert set(reasons) == {0}
    assert counter.total == 407


def test_after_stutter_flow_is_counted_again() -> None:
    counter, reasons = polled([100, 140, 140, *(140 + k // 6 for k in range(120))], spec())
    assert reasons[2] == Reason.METER_STUTTER
    assert set(reasons[10:]) == {0}
    assert counter.total >= 18


def test_a_fast_meter_answered_late_once_does_not_stutter() -> None:
    it = spec(32, 0.001, 200.0)  # 556 pulses in ten seconds at most
    counter = Counter()
    for k in range(60):
        late = 1.9 if k % 2 else 0.0
        assert counter.step(round((10 * k + late) * 55), k * 10_000, it) == 0


def test_what_runs_back_is_made_up_before_anything_is_added() -> None:
    counts = [5000, 5001, 5000, 4999, 4999, 5000, 5001, 5002]
    counter, reasons = polled(counts, spec())
    back = Reason.COUNTER_RAN_BACK
    assert reasons == [0, 0, back, back, back, back, 0, 0]
    assert (counter.total, counter.restarts) == (2, 0)
    # across the end of the counter too
    counter, reasons = polled([1, 65_535, 1, 2], spec())
    assert (counter.total, reasons) == (1, [0, back, 0, 0])


def test_a_small_fall_after_silence_is_a_restart() -> None:
    counter, reasons = polled([5000, 5001, None, 4999, 5000, 5001], spec())
    assert reasons[3] == Reason.COUNTER_RESTARTED
    assert (counter.total, counter.restarts, counter.behind) == (3, 1, 0)


def test_the_rate_is_that_of_the_last_poll_between_polls_too() -> None:
    counter, _ = polled([k // 5 for k in range(100)], spec())
    assert counter.rate(counter.last_elapsed_ms, spec()) == pytest.approx(7.2, rel=0.1)


def test_pulses_of_a_long_gap_are_counted_when_they_fit() -> None:
    it = spec()
    counter = Counter()
    counter.step(65_500, 0, it)
    assert counter.step(64, 30 * 60_000, it) == Reason.GOOD  # 100 pulses in half an hour, across the end
    assert counter.total == 100


def test_a_negative_count_of_a_signed_register_is_the_upper_half() -> None:
    counter, _ = polled([32_767, -32_768, -32_767], spec())
    assert counter.total == 2


def test_a_slow_meter_is_timed_from_pulse_to_pulse_and_falls_towards_zero() -> None:
    it = spec()  # 0.1 m3 a pulse
    counter = Counter()
    for t in range(0, 1500, 10):  # a pulse every 500 s: 0.72 m3/h
        counter.step(t // 500, t * 1000, it)
    assert counter.rate(1_000_000, it) == pytest.approx(0.72)
    assert counter.rate(1_499_000, it) == pytest.approx(0.72)
    assert counter.rate(1_500_000, it) == pytest.approx(0.72)
    assert counter.rate(2_000_000, it) == pytest.approx(0.36)  # 0.1 m3 in 1000 s at most
    assert counter.rate(11_000_000, it) == pytest.approx(0.036)


def test_a_rate_is_not_known_before_two_pulses_and_zero_after_a_minute_without_any() -> None:
    it = spec()
    counter = Counter()
    counter.step(7, 0, it)
    assert counter.rate(30_000, it) is None
    assert counter.rate(60_000, it) == 0.0
    counter.step(8, 90_000, it)
    assert counter.rate(90_000, it) is None


def test_no_rate_is_taken_across_a_restart() -> None:
    counter, _ = polled([100, 101, 102, 0, 0], spec())
    assert counter.rate(40_000, spec()) is None


def test_a_clone_goes_its_own_way() -> None:
    counter, _ = polled([100, 101, 5000], spec())
    twin = counter.clone()
    assert twin == counter
    twin.step(102, 90_000, spec())
    assert (counter.total, twin.total) == (1, 2)


@st.composite
def pulse_trains(draw: st.DrawFn) -> tuple[int, int, list[int], list[int]]:
    """(bits, first count, instants of pulses in ms no denser than max_rate, polls in ms)."""
    bits = draw(st.sampled_from([16, 32, 64]))
    start = draw(st.integers(0, (1 << bits) - 1) | st.integers((1 << bits) - 40, (1 << bits) - 1))
    gaps = draw(st.lists(st.integers(18_000, 200_000), max_size=40))  # 200 an hour at most: 18 s apart
    pulses, t = [], 0
    for g in gaps:
        t += g
        pulses.append(t)
    polls = sorted(set(draw(st.lists(st.integers(1, t + 1000), max_size=60))) | {0, t + 1000})
    return bits, start, pulses, polls


@given(pulse_trains())
def test_any_polling_of_a_train_of_pulses_gives_the_same_total(train: tuple[int, int, list[int], list[int]]) -> None:
    bits, start, pulses, polls = train
    it, counter = spec(bits), Counter()
    for t in polls:
        count = (start + sum(p <= t for p in pulses)) % (1 << bits)
        assert counter.step(count, t, it) == Reason.GOOD
    assert (counter.total, counter.restarts) == (len(pulses), 0)


@given(pulse_trains(), st.data())
def test_a_restart_is_told_from_a_rollover_and_loses_no_more_than_its_gap(
    train: tuple[int, int, list[int], list[int]], data: st.DataObject
) -> None:
    bits, _, pulses, polls = train
    size = 1 << bits
    start = data.draw(st.integers(5_000, size - 5_000))  # a restart to 0 is then no step the meter could pass
    polls = sorted({*polls, polls[-1] + 5_000, polls[-1] + 10_000})
    at = data.draw(st.integers(1, polls[-3] if polls[-3] > 1 else 1))
    it, counter, seen = spec(bits), Counter(), []
    for t in polls:
        count = sum(at < p <= t for p in pulses) if t > at else (start + sum(p <= t for p in pulses)) % size
        seen.append(counter.step(count, t, it))
    before = max(t for t in polls if t <= at)
    lost = sum(before < p <= at for p in pulses)
    assert counter.restarts == 1
    assert seen.count(Reason.COUNTER_RESTARTED) == 1
    assert len(pulses) - lost == counter.total


counts = st.none() | st.integers(0, 65_535) | st.integers(-(2**40), 2**40) | st.floats(-1e18, 1e18)


@given(
    st.lists(st.tuples(st.integers(0, 4_000_000), counts), max_size=80),
    st.sampled_from([spec(), spec(32), spec(64), spec(0), spec(16, 0.001, 900.0)]),
)
def test_no_counts_and_times_make_a_total_that_runs_backwards(
    polls: list[tuple[int, int | float | None]], it: MeterSpec
) -> None:
    counter, t, before, rate_max = Counter(), 0, 0, it.max_per_ms
    for gap, raw in polls:
        t += gap
        reason = counter.step(raw, t, it)
        assert counter.total >= before
        # and no step that a meter could not have passed: at its overload since the last count, and its allowances
        assert counter.total - before <= OVERLOAD * rate_max * (t + 8000) + 8
        before = counter.total
        assert (reason == Reason.NO_ANSWER) == (raw is None)
        assert counter.behind >= 0
        flow = counter.pace.flow(t, it)
        assert flow is None or 0 <= flow.low <= flow.high
        assert Counter.unpack(counter.pack()) == counter == counter.clone()


@given(st.lists(st.integers(0, 5), min_size=1, max_size=200))
def test_over_time_no_more_is_counted_than_the_meter_can_pass(steps: list[int]) -> None:
    it = spec()
    counter, count = Counter(), 1000
    counter.step(count, 0, it)
    for k, n in enumerate(steps, 1):
        count += n
        counter.step(count, k * 10_000, it)
    assert counter.total <= 1.25 * it.max_per_ms * len(steps) * 10_000 + 3
    assert counter.total + counter.refused + (count - counter.last if counter.doubt >= 0 else 0) == count - 1000


@pytest.mark.parametrize("row", [table("water_meters")[i] for i in ("WM-032", "WM-033", "WM-034")], ids=str)
@pytest.mark.parametrize(("pulse_l", "every_ms"), [(1, 60_000), (1, 10_000), (10, 60_000), (10, 10_000)])
def test_a_meter_at_its_overload_flow_is_counted_whole(row: Row, pulse_l: int, every_ms: int) -> None:
    """Q4 is 1.25 Q3 (WM-025): a meter whose max_rate is Q3 loses nothing there, however it is polled."""
    q3, q4 = row.inputs["Q3"], row.numbers[2]  # m3/h, L/h
    assert q4 == pytest.approx(OVERLOAD * q3 * 1000)
    counter, passed = Counter(), 0.0
    it = MeterSpec(1 << 32, pulse_l / 1000, q3 / (pulse_l / 1000) / HOUR)
    said = set()
    for k in range(361):
        passed = 0.999 * q4 / pulse_l * k * every_ms / HOUR
        said.add(counter.step(int(passed), k * every_ms, it))
    assert said == {Reason.GOOD}
    assert counter.total == int(passed)
