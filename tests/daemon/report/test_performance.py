"""The figures of an alarm system, beside the criteria of the standards (tests/reference/alarms.csv)."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from daemon.core.outcome import Entry
from daemon.report.performance import DAY_MS, MINUTE_MS, TEN_MINUTES_MS, busiest, by_day, floods_of, performance
from daemon.report.performance_text import days_between, lines

CHICAGO = ZoneInfo("America/Chicago")
T0 = 1_793_797_200_000


def entry(at_s: float, number: int, event: str = "raised", kind: str = "conductivity_high", **more: str) -> Entry:
    base = Entry(T0 + round(at_s * 1000), number, "B1", kind, "", event, "", "high")
    return replace(base, **more)  # type: ignore[arg-type]


def raised(times_s: list[float], kind: str = "conductivity_high") -> list[Entry]:
    return [entry(t, k, kind=kind) for k, t in enumerate(times_s, 1)]


def test_chattering_is_three_raises_within_a_minute() -> None:  # AL-060, AL-061; criterion AL-050
    chatters = performance(raised([0, 25, 50, 200]), T0, T0 + DAY_MS)
    assert [c.alarm for c in chatters.chattering] == ["B1/conductivity_high"]
    assert busiest([0, 25_000, 50_000, 200_000], MINUTE_MS) == 3
    quiet = performance(raised([0, 40, 80, 120]), T0, T0 + DAY_MS)
    assert quiet.chattering == () and busiest([0, 40_000, 80_000, 120_000], MINUTE_MS) == 2


def test_a_flood_is_more_than_ten_in_ten_minutes() -> None:  # AL-062, AL-063; criteria AL-045, AL-046
    flood = performance(raised([30.0 * k for k in range(11)]), T0, T0 + DAY_MS)
    assert flood.busiest_ten_minutes == 11
    (found,) = flood.floods
    # it ends when fewer than five of the last ten minutes are left: the seventh came at 180 s
    assert (found.from_ms, found.to_ms, found.raised) == (T0, T0 + 180_000 + TEN_MINUTES_MS, 11)
    assert flood.flood_share == (180_000 + TEN_MINUTES_MS) / DAY_MS
    none = performance(raised([65.0 * k for k in range(11)]), T0, T0 + DAY_MS)
    assert none.busiest_ten_minutes == 10 and none.floods == ()


def test_one_in_ten_minutes_is_144_a_day() -> None:  # AL-004
    p = performance(raised([600.0 * k for k in range(144)]), T0, T0 + DAY_MS)
    assert (p.raised, p.per_day, p.per_ten_minutes) == (144, 144.0, 1.0)
    assert p.floods == () and p.busiest_ten_minutes == 1


def test_stale_is_more_than_24_hours_without_a_break() -> None:  # AL-052
    day = 86_400.0
    journal = [
        entry(0, 1),
        entry(10, 2, kind="low_water"),
        entry(day, 2, "acknowledged", "low_water"),
        entry(day + 9, 2, "returned", "low_water"),  # just not more than 24 hours
        entry(2 * day, 1, "returned"),
        entry(2 * day + 1, 3),
    ]
    p = performance(journal, T0, T0 + 4 * DAY_MS)
    assert [(s.alarm, s.occurrence, s.to_ms) for s in p.stale] == [
        ("B1/conductivity_high", 1, T0 + 2 * DAY_MS),
        ("B1/conductivity_high", 3, None),
    ]
    assert p.most_stale_at_once == 1
    late = performance(journal, T0 + 3 * DAY_MS, T0 + 4 * DAY_MS)  # what stood before is known
    assert [s.occurrence for s in late.stale] == [3] and late.raised == 0


def test_time_to_confirm_priorities_and_the_most_frequent() -> None:
    journal = [
        *(entry(100 * k, k, kind="tank_low", priority="low") for k in range(1, 9)),
        entry(2000, 20),
        entry(2030, 20, "acknowledged"),
        entry(2100, 21),
        entry(2130, 21, "returned"),
        entry(2400, 21, "acknowledged"),
        entry(2500, 30, "note"),
        replace(entry(2600, 0, "note"), occurrence=0),
        entry(2700, 22, "shelved"),
    ]
    p = performance(journal, T0, T0 + DAY_MS)
    assert p.priorities == {"highest": 0, "high": 2, "medium": 0, "low": 8}
    assert [(f.alarm, f.raised, f.share) for f in p.frequent] == [
        ("B1/tank_low", 8, 0.8),
        ("B1/conductivity_high", 2, 0.2),
    ]
    assert p.acknowledged.answered == 2 and p.acknowledged.unanswered == 8
    assert (p.acknowledged.median_s, p.acknowledged.ninth_tenth_s, p.acknowledged.longest_s) == (30.0, 300.0, 300.0)
    assert p.fleeting == 1 and p.put_aside == 1
    text = "\n".join(lines(p, by_day(journal, days_between(T0, T0 + DAY_MS, CHICAGO)), CHICAGO))
    assert "raised                 10: 10.0 a day" in text
    assert "confirmed              2 of 10; half within 30 s, nine of ten within 5 min, the longest 5 min" in text


def test_nothing_at_all_has_no_rates() -> None:
    p = performance([], T0, T0)
    assert (p.raised, p.per_day, p.flood_share, p.frequent) == (0, 0.0, 0.0, ())
    assert p.as_json()["acknowledged"]["median_s"] is None


def test_days_of_the_plants_calendar_with_25_hours_too() -> None:
    begin = 1_793_507_400_000  # 2026-10-31 23:30 in Chicago; summer time ends on the next day
    days = days_between(begin, begin + 3 * DAY_MS, CHICAGO)
    assert [name for name, _, _ in days] == ["2026-10-31", "2026-11-01", "2026-11-02", "2026-11-03"]
    assert [(e - b) / 3_600_000 for _, b, e in days] == [0.5, 25.0, 24.0, 22.5]


@given(st.lists(st.integers(0, 4_000_000), max_size=60))
def test_windows_and_floods_are_those_of_counting_by_hand(times: list[int]) -> None:
    times.sort()
    by_hand = max((sum(t <= u < t + TEN_MINUTES_MS for u in times) for t in times), default=0)
    assert busiest(times, TEN_MINUTES_MS) == by_hand
    floods = floods_of(times, 10_000_000)
    assert bool(floods) == (by_hand > 10)
    for f in floods:
        assert f.from_ms in times and f.raised == sum(f.from_ms <= t < f.to_ms for t in times)
        assert sum(f.to_ms - TEN_MINUTES_MS < t <= f.to_ms for t in times) < 5
