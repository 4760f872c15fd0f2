"""Days of the plant's calendar."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.plant_days import day_of, hours, midnight_ms

CHICAGO = ZoneInfo("America/Chicago")


@pytest.mark.parametrize(
    ("zone", "day", "long"),
    [
        ("America/Chicago", date(2026, 3, 8), 23),
        ("America/Chicago", date(2026, 3, 9), 24),
        ("America/Chicago", date(2026, 11, 1), 25),
        ("Europe/Berlin", date(2026, 3, 29), 23),
        ("Europe/Berlin", date(2026, 10, 25), 25),
        ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),
        ("America/Havana", date(2026, 11, 1), 25),  # midnight twice
        ("Africa/Cairo", date(2026, 4, 24), 23),  # without a midnight
    ],
)
def test_days_are_as_long_as_the_zone_makes_them(zone: str, day: date, long: float) -> None:
    where = ZoneInfo(zone)
    assert hours(day.toordinal(), where) == long
    begin, end = midnight_ms(day.toordinal(), where), midnight_ms(day.toordinal() + 1, where)
    assert day_of(begin, where) == day_of(end - 1, where) == day.toordinal()
    assert day_of(begin - 1, where) == day.toordinal() - 1
    assert day_of(end, where) == day.toordinal() + 1


def test_midnight_of_the_plant_is_not_that_of_greenwich() -> None:
    at = midnight_ms(date(2026, 11, 20).toordinal(), CHICAGO)
    assert datetime.fromtimestamp(at / 1000, UTC).isoformat() == "2026-11-20T06:00:00+00:00"


@given(st.integers(-(10**16), 10**16), st.sampled_from(["America/Chicago", "Pacific/Apia", "UTC", "Africa/Cairo"]))
def test_any_time_belongs_to_a_day(at_ms: int, zone: str) -> None:
    where = ZoneInfo(zone)
    day = day_of(at_ms, where)
    if 86_400_000 < at_ms < 200_000_000_000_000:
        assert midnight_ms(day, where) <= at_ms < midnight_ms(day + 1, where)
