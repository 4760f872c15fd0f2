"""Turns of the plant file: over midnight, by weeks, and through both changes of the clock."""

from __future__ import annotations

import itertools

from config.model import Rota
from daemon.notify.roster import AHEAD_MS, roster, turn_spans
from tests.support.shift import ANA, BEN, TWO_SHIFTS, ZONE, at, site


def who(more: str, *times: str) -> list[tuple[str, ...]]:
    plant = site(more)
    return [tuple(p.name for p in roster(plant, at(t)).on_duty(at(t))) for t in times]


def test_without_a_rota_everybody_is_on_duty() -> None:
    assert who("", "2026-11-03 03:00") == [("Ana", "Ben", "Cleo")]


def test_hours_over_midnight_belong_to_the_day_they_begin_on() -> None:
    night = '[[rota.turn]]\nperson = "Ben"\ndays = ["Fri"]\nhours = "18:00..06:00"\n'
    times = ("2026-11-06 17:59", "2026-11-06 18:00", "2026-11-07 05:59", "2026-11-07 06:00", "2026-11-07 18:00")
    assert who(night, *times) == [(), (BEN,), (BEN,), (), ()]


def test_weeks_take_turns_from_monday_on() -> None:
    """2 Nov 2026 is a Monday; Ana has that week, Ben the next."""
    weeks = "".join(
        f'[[rota.turn]]\nperson = "{n}"\nfrom = 2026-11-04\nweek = "{k} of 2"\n' for k, n in ((1, ANA), (2, BEN))
    )
    times = ("2026-11-03 12:00", "2026-11-04 00:00", "2026-11-08 23:59", "2026-11-09 00:00", "2026-11-16 00:00")
    assert who(weeks, *times) == [(), (ANA,), (ANA,), (BEN,), (ANA,)]


def test_the_last_day_is_a_day_of_duty() -> None:
    until = '[[rota.turn]]\nperson = "Ana"\nuntil = 2026-11-04\n'
    assert who(until, "2026-11-04 23:59", "2026-11-05 00:00") == [(ANA,), ()]


def lengths(begin: str, end: str) -> list[float]:
    rota = site(TWO_SHIFTS).rota
    assert isinstance(rota, Rota)
    spans = turn_spans(rota, ZONE, at(begin), at(end))
    assert all(a.end_ms == b.begin_ms for a, b in itertools.pairwise(spans)), "no hole, nothing twice"
    return [(s.end_ms - s.begin_ms) / 3_600_000 for s in spans]


def test_a_night_is_an_hour_longer_when_the_clock_goes_back_and_shorter_when_it_goes_forward() -> None:
    """Chicago: back on 1 Nov 2026 at 02:00, forward on 8 Mar 2026 at 02:00 (IANA time zone database)."""
    assert lengths("2026-10-31 06:00", "2026-11-01 18:00") == [12, 13, 12]
    assert lengths("2026-03-07 06:00", "2026-03-08 18:00") == [12, 11, 12]


def test_both_hours_of_the_night_that_has_one_twice_are_covered() -> None:
    plant = site(TWO_SHIFTS)
    first = at("2026-11-01 01:30")
    for t in (first, first + 3_600_000):
        assert [p.name for p in roster(plant, t).on_duty(t)] == [BEN]


def test_who_is_next_and_when() -> None:
    r = roster(site(TWO_SHIFTS), at("2026-11-03 14:00"))
    change = r.next_change(at("2026-11-03 14:00"))
    assert change is not None
    assert (change[0], [p.name for p in change[1]]) == (at("2026-11-03 18:00"), [BEN])
    assert roster(site(), 0).next_change(0) is None
    assert AHEAD_MS >= 8 * 86_400_000  # a week ahead is known
