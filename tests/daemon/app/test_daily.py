"""The daily mail's content from a day of the creamery as it is stored, and what is said after a gap."""

from __future__ import annotations

from dataclasses import replace

from daemon.app.daily import daily, over_lines
from daemon.app.gaps import ENDED, gap_text, watched
from daemon.app.view import view_of
from daemon.core.outcome import Entry
from daemon.notify.telling import BoilerDay
from tests.support.feed import START_MS, Feed, boiler, plant
from tests.support.shift import ZONE

METER = """
[[meter]]
name = "makeup"
channel = "m.pulses"
measures = "makeup"
pulse = "1 gal"
max_rate = "80 gpm"
serves = ["B1"]
"""
FROM, TO = START_MS, START_MS + 86_400_000


def fed() -> Feed:
    feed = Feed(plant(boiler("continuous"), METER))
    for n in range(60):
        feed.poll(cond=3500, pulses=1000 + n)
    return feed


def test_the_daily_mail_has_each_boiler_what_stands_and_the_head() -> None:
    feed = fed()
    view = view_of(feed.plant, feed.state, now_ms=TO)
    told = daily(
        view, feed.plant, FROM, TO, blows={"B1": (3, 90_000)}, over=(), head="12:" + "0" * 64, copy="has poll 7"
    )
    assert [(b.name, b.blows, b.blowing_s) for b in told.boilers] == [("B1", 3, 90.0)]
    assert isinstance(told.boilers[0], BoilerDay)
    assert told.boilers[0].conductivity == view.boilers[0].conductivity
    assert told.boilers[0].standing == len([a for a in view.alarms if a.state == "unacknowledged"]) > 0
    assert any("B1: conductivity high, since" in line and "nobody has confirmed" in line for line in told.standing)
    assert told.head == "12:" + "0" * 64
    assert ("Copy to the central server", "has poll 7") in told.figures
    assert any(name == "makeup yesterday" for name, _ in told.figures)


def test_what_came_many_times_is_one_line() -> None:
    one = Entry(START_MS, 7, "di", "module_silent", "", "returned", "normal", "high")
    lines = over_lines([one, replace(one, occurrence=9, at_ms=START_MS + 60_000), replace(one, target="ai")], ZONE)
    assert len(lines) == 2
    assert lines[0].startswith("di: module silent, 2 times, last over at")
    assert lines[1].startswith("7 ai: module silent, over at")


def test_after_a_gap_the_counters_say_what_passed() -> None:
    """30 pulses of 1 gal between the last poll before and the first after, as counted at the meter."""
    feed = fed()
    before = watched(feed.plant, feed.state)
    feed.t += 3_600_000
    feed.poll(gap_ms=3_600_000, pulses=1089)
    after = watched(feed.plant, feed.state)
    assert before is not None
    assert after is not None
    text = gap_text(feed.plant, before, after, ENDED)
    assert "(60 min); the service ended without being stopped: power cut, crash or a kill" in text
    assert "counted meanwhile: makeup 30 US gal" in text
    assert "B1 conductivity high" in text.partition("stands now")[0]
    silent = gap_text(feed.plant, before, replace(after, totals=before.totals), ENDED)
    assert silent.endswith("no meter tells what passed meanwhile")
