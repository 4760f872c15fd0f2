"""Times as people give them to an act."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.app.moments import MomentError, clock_text, past_ms, until_ms

ZONE = ZoneInfo("America/Chicago")
HOUR = 3_600_000


def at(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp() * 1000)


NOW = at("2026-11-25T15:00")  # a Wednesday


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("2h", NOW + 2 * HOUR),
        ("+90 min", NOW + 90 * 60_000),
        ("3d", NOW + 72 * HOUR),
        ("17:00", at("2026-11-25T17:00")),
        ("07:00", at("2026-11-26T07:00")),
        ("Wed 17:00", at("2026-11-25T17:00")),
        ("wednesday 09:00", at("2026-12-02T09:00")),
        ("Mon 06:30", at("2026-11-30T06:30")),
        ("2026-11-27", at("2026-11-28T00:00")),
        ("2026-11-27 12:00", at("2026-11-27T12:00")),
    ],
)
def test_an_end_lies_ahead(text: str, found: int) -> None:
    assert until_ms(text, ZONE, NOW) == found


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("14:05", at("2026-11-25T14:05")),
        ("16:00", at("2026-11-24T16:00")),
        ("-2h", NOW - 2 * HOUR),
        ("now", NOW),
        ("2026-11-20 06:00", at("2026-11-20T06:00")),
    ],
)
def test_what_was_lies_behind(text: str, found: int) -> None:
    assert past_ms(text, ZONE, NOW) == found


def test_across_the_change_of_the_clock_the_hour_on_the_wall_counts() -> None:
    before = at("2026-10-31T20:00")
    assert until_ms("07:00", ZONE, before) == at("2026-11-01T07:00")
    assert at("2026-11-01T07:00") - before == 12 * HOUR  # not eleven


@pytest.mark.parametrize("text", ["soon", "25:00", "Foo 17:00", "", "2026-11-24", "99999999999999d"])
def test_an_end_that_cannot_be_is_said(text: str) -> None:
    with pytest.raises(MomentError):
        until_ms(text, ZONE, NOW)


def test_a_time_is_told_on_the_plants_clock() -> None:
    assert clock_text(NOW, ZONE) == "Wed 2026-11-25 15:00"
