"""The plant's day, on its own clock."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.core.daytime import Daytime, daytime
from tests.support.feed import boiler, plant

ZONE = ZoneInfo("America/Chicago")


def at(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp() * 1000)


@pytest.mark.parametrize(
    ("time", "day"),
    [
        ("2026-07-01T06:59", False),
        ("2026-07-01T07:00", True),
        ("2026-07-01T18:59", True),
        ("2026-07-01T19:00", False),
        ("2026-01-01T07:00", True),  # winter: another offset, the same hour of the clock
        ("2026-01-01T06:59", False),
    ],
)
def test_seven_to_seven_by_the_clock_on_the_wall(time: str, day: bool) -> None:
    assert daytime(plant(boiler())).holds(at(time)) is day


def test_a_day_may_go_over_midnight() -> None:
    shift = Daytime(ZONE, 22 * 60, 6 * 60)
    assert shift.holds(at("2026-07-01T23:00"))
    assert shift.holds(at("2026-07-01T05:59"))
    assert not shift.holds(at("2026-07-01T06:00"))
    assert not shift.holds(at("2026-07-01T21:59"))
