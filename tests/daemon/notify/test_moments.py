"""When the daily mail is due, and until when something is held, through both changes of the clock."""

from __future__ import annotations

import itertools

from daemon.notify.moments import daily_due, next_daily, quiet_until
from tests.support.notices import notice
from tests.support.shift import at, site

DAILY = site('[tell]\ndaily = "02:30"\n')
QUIET = site('[tell]\nquiet = { low = "22:00..02:30" }\n')


def mails(begin: str, end: str, step_minutes: int = 10) -> list[int]:
    """When daily mails are written, looking every so often."""
    out, last, now = [], at(begin), at(begin)
    while now < at(end):
        if due := daily_due(DAILY, last, now):
            out.append(due)
            last = due
        now += step_minutes * 60_000
    return out


def test_the_daily_mail_comes_once_a_day_also_where_its_time_comes_twice_or_not_at_all() -> None:
    """Chicago: 01:00 to 02:00 comes twice on 1 Nov 2026; 02:00 to 03:00 is left out on 8 Mar 2026."""
    autumn = mails("2026-10-30 12:00", "2026-11-03 12:00")
    assert [(b - a) / 3_600_000 for a, b in itertools.pairwise(autumn)] == [25, 24, 24]
    spring = mails("2026-03-06 12:00", "2026-03-10 12:00")
    assert len(spring) == 4
    assert sum((b - a) / 3_600_000 for a, b in itertools.pairwise(spring)) == 71


def test_after_days_without_the_service_the_last_one_due_is_written_and_no_other() -> None:
    assert daily_due(DAILY, at("2026-11-03 02:30"), at("2026-11-07 12:00")) == at("2026-11-07 02:30")
    assert daily_due(DAILY, at("2026-11-07 02:30"), at("2026-11-07 12:00")) == 0
    assert next_daily(DAILY, at("2026-11-07 12:00")) == at("2026-11-08 02:30")


def test_quiet_hours_end_when_the_clock_of_the_plant_says_so() -> None:
    low = notice(priority="low")
    for day, before in (("2026-10-31", "2026-11-01 02:30"), ("2026-11-03", "2026-11-04 02:30")):
        assert quiet_until(low, QUIET, at(f"{day} 21:59")) == 0
        assert quiet_until(low, QUIET, at(f"{day} 22:00")) == at(before)
        assert quiet_until(low, QUIET, at(before) - 1) == at(before)
        assert quiet_until(low, QUIET, at(before)) == 0
    assert quiet_until(low, QUIET, at("2026-03-07 23:00")) > at("2026-03-08 01:59")
    assert quiet_until(notice(priority="medium"), QUIET, at("2026-11-03 23:00")) == 0
    assert quiet_until(notice(priority="low", kind="low_water"), QUIET, at("2026-11-03 23:00")) == 0
