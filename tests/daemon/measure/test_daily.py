"""Daily totals on the plant's calendar: both changes of the clock, outages, clocks set back, and any of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from daemon.core.plant_days import day_of, midnight_ms
from daemon.core.reasons import Reason
from daemon.measure.counter import Counter
from daemon.measure.daily import Calendar, Daily
from daemon.measure.meter_spec import HOUR_MS, MeterSpec

ZONE = "America/Chicago"
CHICAGO = ZoneInfo(ZONE)
SPEC = MeterSpec(1 << 32, 0.1, 20 / 0.1 / HOUR_MS)  # 200 pulses an hour at most


class Log:
    """A meter polled at instants (ms UTC); `days` collects what ended, by date."""

    def __init__(self, start_ms: int) -> None:
        self.start = start_ms
        self.counter, self.calendar, self.day = Counter(), Calendar(), Daily()
        self.ended: dict[date, tuple[float, int]] = {}

    def poll(self, at_ms: int, count: int, elapsed_ms: int | None = None) -> None:
        self.calendar.turn(at_ms, ZONE)
        real = at_ms - self.start if elapsed_ms is None else elapsed_ms
        self.counter.step(count, real, SPEC)
        if self.counter.last_elapsed_ms == real:
            found = self.day.follow(self.calendar, self.counter, SPEC, at_ms, ZONE)
            for back, (volume, reason) in enumerate(reversed(found), 1):
                self.ended[date.fromordinal(self.calendar.day - back)] = (volume, reason)


def begin(day: date) -> int:
    return midnight_ms(day.toordinal(), CHICAGO)


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25), (date(2026, 11, 20), 24)], ids=str
)
def test_an_even_flow_over_a_day_of_23_24_and_25_hours(day: date, hours: int) -> None:
    before = date.fromordinal(day.toordinal() - 1)
    start = begin(before)
    log = Log(start)
    until = begin(date.fromordinal(day.toordinal() + 2))
    for at in range(start, until + 1, 60_000):
        log.poll(at, (at - start) // 60_000)  # 0.1 m3 a minute
    assert log.ended[day] == (approx(hours * 6), 0)
    after = date.fromordinal(day.toordinal() + 1)
    assert log.ended[after] == (approx(24 * 6), 0)
    assert log.ended[before][1] == Reason.DAY_NOT_WHOLE  # the log began on it
    assert log.day.today(log.counter, SPEC) == (approx(0.0), 0)


def test_a_pulse_seen_just_after_midnight_belongs_where_most_of_its_time_was() -> None:
    day = date(2026, 11, 20)
    log = Log(begin(day) - 3_600_000)
    log.poll(begin(day) - 8_000, 100)
    log.poll(begin(day) + 2_000, 102)  # two pulses in ten seconds, eight of them before midnight
    assert log.ended[date(2026, 11, 19)][0] == approx(0.1)
    assert log.day.today(log.counter, SPEC)[0] == approx(0.1)


def test_an_outage_over_midnight_is_shared_by_time_and_says_so() -> None:
    day = date(2026, 11, 20)
    log = Log(begin(day) - 30 * 3_600_000)
    log.poll(begin(day) - 30 * 3_600_000, 0)
    log.poll(begin(day) - 6 * 3_600_000, 10)
    log.poll(begin(day) + 2 * 3_600_000, 90)
    assert log.ended[date(2026, 11, 19)] == (approx(6.8), Reason.DAY_SHARED)  # 8 of 10 pulses, 60 of 80
    assert log.day.today(log.counter, SPEC) == (approx(2.0), Reason.DAY_SHARED)
    log.poll(begin(date(2026, 11, 21)), 100)
    assert log.ended[day] == (approx(3.0), Reason.DAY_SHARED)


def test_days_of_a_long_outage_are_told_one_by_one_and_add_up() -> None:
    day = date(2026, 3, 6)
    log = Log(begin(day))
    log.poll(begin(day), 0)
    log.poll(begin(date(2026, 3, 10)) + 3_600_000, 96)  # 4 days and an hour, one of them of 23 h: 96 h
    assert [d.day for d in sorted(log.ended)] == [6, 7, 8, 9]
    assert log.ended[date(2026, 3, 8)] == (approx(2.3), Reason.DAY_SHARED)
    assert sum(v for v, _ in log.ended.values()) + log.day.today(log.counter, SPEC)[0] == approx(9.6)


def test_pulses_refused_or_lost_make_the_day_at_least() -> None:
    day = date(2026, 11, 20)
    log = Log(begin(day) - 60_000)
    for at, count in ((-60_000, 7000), (0, 7000), (10_000, 7030), (20_000, 7030)):  # thirty pulses at once: a stutter
        log.poll(begin(day) + at, count)
    assert log.counter.refused == 30
    assert log.day.today(log.counter, SPEC) == (0.0, Reason.DAY_NOT_WHOLE)
    log.poll(begin(date(2026, 11, 21)), 7040)
    assert log.ended[day] == (approx(1.0), Reason.DAY_NOT_WHOLE)


def test_pulses_below_the_least_flow_make_their_day_at_least_and_no_other() -> None:
    day, least = date(2026, 11, 20), replace(SPEC, least_per_ms=1 / 400_000)
    counter, calendar, daily = Counter(), Calendar(), Daily()
    ended: list[tuple[float, int]] = []
    # on the day before flow is slow for three hours (a pulse in 1800 s), then four times the least
    for at in range(-86_400_000 - 60_000, 86_400_000 + 1, 20_000):
        hour = at / 3_600_000 + 24
        pulses = int(max(0.0, min(hour, 3.0)) * 2 + max(0.0, hour - 3) * 36)
        calendar.turn(begin(day) + at, ZONE)
        counter.step(1000 + pulses, at + 90_000_000, least)
        ended += daily.follow(calendar, counter, least, begin(day) + at, ZONE)
    assert [reason for _, reason in ended] == [Reason.DAY_NOT_WHOLE, Reason.BELOW_MINIMUM_FLOW, Reason.GOOD]
    assert ended[2][0] == approx(86.4, abs=0.1)


def test_a_clock_set_back_over_midnight_begins_no_day_twice() -> None:
    day = date(2026, 11, 20)
    log = Log(begin(day) - 60_000)
    real = 0
    for at, count in ((-60_000, 0), (5_000, 3), (-5_000, 4), (5_000, 5), (3_600_000, 50)):
        real += 60_000 if at < 60_000 else at
        log.poll(begin(day) + at, count, real)
    assert list(log.ended) == [date(2026, 11, 19)]
    assert log.ended[date(2026, 11, 19)][0] + log.day.today(log.counter, SPEC)[0] == approx(5.0, abs=0.5)


def test_a_clock_that_was_years_ahead_is_put_right_and_days_go_on() -> None:
    day = date(2026, 11, 20)
    log = Log(begin(day))
    log.poll(begin(date(2031, 1, 1)), 0, 0)
    log.poll(begin(day) + 60_000, 1, 60_000)
    assert log.day.yesterday is None
    assert log.day.today(log.counter, SPEC) == (approx(0.1), Reason.DAY_NOT_WHOLE)
    log.poll(begin(date(2026, 11, 21)), 2, 86_400_000)
    assert log.ended == {day: (approx(0.2), Reason.DAY_NOT_WHOLE)}


polls = st.lists(
    st.tuples(st.integers(0, 200_000_000), st.integers(-100_000_000, 100_000_000), st.integers(0, 300)), max_size=30
)


@given(polls, st.integers(1_700_000_000_000, 1_900_000_000_000))
def test_days_never_make_water_nor_lose_it(steps: list[tuple[int, int, int]], start: int) -> None:
    """Whatever the clock does: no day is negative, and all days with today are what the meter passed."""
    log = Log(start)
    real = count = 0
    log.poll(start, 0, 0)
    told = 0.0
    for gap, clock, pulses in steps:
        real, count = real + gap, count + pulses
        at = start + real + clock
        log.calendar.turn(at, ZONE)
        assert log.calendar.day == day_of(at, CHICAGO)
        log.counter.step(count, real, SPEC)
        if log.counter.last_elapsed_ms != real:
            continue
        for volume, _ in log.day.follow(log.calendar, log.counter, SPEC, at, ZONE):
            assert volume >= 0
            told += volume
        today, _ = log.day.today(log.counter, SPEC)
        assert today >= 0
        assert told + today == approx(log.counter.volume(SPEC))
    assert Daily.unpack(log.day.pack()) == log.day == log.day.clone()
