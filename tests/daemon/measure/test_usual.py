"""What a water usually reads: a week of hours, learned as they come, and a new usual after three days."""

from __future__ import annotations

import math

import pytest

from daemon.measure import usual
from daemon.measure.usual import ACCEPTED_H, HOURS, LEARNED, MINUTES, Usual, follow, limits, outside


def hours(c: Usual, n: int, of: float, swing: float = 0.0) -> None:
    for h in range(n):
        for _ in range(MINUTES):
            follow(c, of + swing * math.sin(h / 24 * 2 * math.pi))


def test_the_band_is_that_of_the_hours_seen_and_known_after_two_days() -> None:
    c = Usual()
    hours(c, LEARNED - 1, 400, 50)
    assert c.high == 0
    hours(c, 1, 400, 0)
    assert 345 <= c.low < 360 and 440 < c.high <= 450
    below, above = limits(c)
    assert above == pytest.approx(1.3 * c.high) and below == pytest.approx(0.6 * c.low)
    assert (outside(c, above + 1), outside(c, above - 1), outside(c, below - 1)) == (above, 0, below)
    hours(c, 400, 400, 50)
    assert len(c.hours) == HOURS


def test_a_pure_water_is_not_told_for_a_microsiemens_or_two() -> None:
    c = Usual()
    hours(c, LEARNED, 2.0)
    assert outside(c, 6.0) == 0 and outside(c, 7.5) > 0


def test_what_is_far_outside_teaches_nothing_for_three_days_and_is_then_the_new_usual() -> None:
    c = Usual()
    hours(c, LEARNED, 400)
    hours(c, ACCEPTED_H - 1, 900)
    assert outside(c, 900) and (c.low, c.high) == (400, 400)
    hours(c, LEARNED, 900)
    assert not outside(c, 900) and c.low == 900


def test_a_bad_minute_starts_the_last_minutes_anew_and_takes_nothing_from_the_hour() -> None:
    c = Usual()
    hours(c, LEARNED, 400)
    for _ in range(30):
        follow(c, 800)
    assert 700 < c.level < 800
    follow(c, None)
    follow(c, 410)
    assert c.level == 410 and c.n == 31
    assert usual.outside(c, c.level) == 0
