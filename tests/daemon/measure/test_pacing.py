"""Whether a pump ran as its pacing says: five ways, each as a shift log, right and wrong."""

from __future__ import annotations

import pytest

from daemon.core.tags import PACING
from tests.support.feed import START_MS, Feed, boiler, plant
from tests.support.figures import WATER, Flowing, figure, meter

HOUR = 3600


def chemical(pacing: str, more: str = "") -> str:
    return (
        f'[[chemical]]\nname = "c"\npump = "m.pump"\npacing = "{pacing}"\nrate = "2 L/h"\nrate_date = "2026-09-14"\n'
        f'serves = ["B1"]\n{more}'
    )


def paced(pacing: str, more: str = "", *parts: str) -> Flowing:
    feed = Flowing(plant(WATER, boiler(), *parts, chemical(pacing, more)))
    feed.flows = {}
    return feed


def verdict(feed: Feed) -> str:
    """The verdict told last, "not judged yet" with its reason."""
    value, why = figure(feed, "c.pacing")
    assert why == ("not seen long enough to judge" if value == 0 else "good")
    return PACING[int(value)]


def test_with_the_blow() -> None:
    f = paced("with blow")
    f.run(60)
    assert verdict(f) == "not judged yet"
    f.run(120, blow=1, pump=1).run(60, blow=0, pump=0)
    assert verdict(f) == "as paced"
    f.run(60, pump=1)
    assert verdict(f) == "ran when it should not"
    f.run(60, pump=0).run(120, blow=1)
    assert verdict(f) == "did not run"
    f.run(60, blow=0).run(120, blow=1, pump=1)
    assert verdict(f) == "as paced"


def test_with_the_blow_and_no_longer_than_its_limit() -> None:
    f = paced("with blow", 'limit = "5 min"\n')
    f.run(60).run(300, blow=1, pump=1).run(300, pump=0).run(60, blow=0)
    assert verdict(f) == "as paced"
    f.run(600, blow=1, pump=1)
    assert verdict(f) == "ran too much"


def test_a_pump_that_leaves_out_samples_is_as_paced() -> None:
    sampled = boiler("timed", sample='flush = "20 s", open = "60 s", every = "30 min"')
    f = Flowing(plant(WATER, sampled, chemical("with blow")))
    f.run(60).run(60, blow=1).run(600, blow=0)
    assert verdict(f) == "not judged yet"
    f.run(60, blow=1).run(600, pump=1).run(60, blow=0, pump=0)
    assert verdict(f) == "as paced"


def after_a_blow(ran: int, *, blow: int = 300, during: int = 0, first: int = 0) -> Flowing:
    """A first blow with its run (or without), then one of `blow` s followed by `ran` s of the pump."""
    f = paced("after blow", 'limit = "10 min"\n')
    f.run(60).run(100, blow=1).run(100, blow=0, pump=first).run(HOUR, pump=0)
    assert verdict(f) == ("as paced" if first else "did not run")
    f.run(60).run(blow, blow=1, pump=during).run(ran, blow=0, pump=1).run(2 * HOUR, pump=0)
    return f


@pytest.mark.parametrize(
    ("blow", "ran", "said"),
    [
        (300, 300, "as paced"),
        (300, 0, "did not run"),
        (300, 120, "ran too little"),
        (300, 600, "ran too much"),
        (1800, 600, "as paced"),  # the limit
        (1800, 1800, "ran too much"),
    ],
)
def test_after_the_blow(blow: int, ran: int, said: str) -> None:
    assert verdict(after_a_blow(ran, blow=blow, first=int(said == "did not run"))) == said


def test_after_the_blow_and_not_during_or_without() -> None:
    f = paced("after blow", 'limit = "10 min"\n')
    f.run(60).run(120, blow=1, pump=1)
    assert verdict(f) == "ran when it should not"
    f.run(120, blow=0, pump=1).run(HOUR, pump=0)
    assert verdict(f) == "as paced"
    f.run(120, pump=1)
    assert verdict(f) == "ran when it should not"


def test_what_a_next_blow_cuts_off_is_owed_on() -> None:
    f = paced("after blow", 'limit = "10 min"\n')
    f.run(60).run(300, blow=1).run(100, blow=0, pump=1).run(300, blow=1, pump=0)
    f.run(500, blow=0, pump=1).run(HOUR, pump=0)  # 200 s owed and 300 s new
    assert verdict(f) == "as paced"


def test_a_run_that_waits_for_the_boiler_is_no_fault() -> None:
    f = paced("after blow", 'limit = "10 min"\n')
    f.run(60).run(300, blow=1).run(2 * HOUR, blow=0, limit=0)
    assert verdict(f) == "not judged yet"
    f.run(300, limit=1, pump=1).run(HOUR, pump=0)
    assert verdict(f) == "as paced"


def share(on: int, cycle: int = 300, hours: float = 1.1) -> Flowing:
    f = paced("share of time", 'share = "40 %"\ncycle = "5 min"\n')
    for _ in range(round(hours * HOUR / cycle)):
        f.run(on, pump=1).run(cycle - on, pump=0)
    return f


@pytest.mark.parametrize(
    ("on", "said"),
    [(120, "as paced"), (110, "as paced"), (0, "did not run"), (60, "ran too little"), (200, "ran too much")],
)
def test_a_share_of_the_time(on: int, said: str) -> None:
    assert verdict(share(on)) == said


def test_a_share_is_of_the_time_a_boiler_runs() -> None:
    f = paced("share of time", 'share = "40 %"\ncycle = "5 min"\n')
    for _ in range(8):
        for _ in range(3):
            f.run(120, pump=1, limit=1).run(180, pump=0)
        f.run(900, limit=0)
    assert verdict(f) == "as paced"


SCHEDULE = 'times = ["06:00", "Thu 18:30"]\nrun = "10 min"\n'


def to_six() -> int:
    from datetime import datetime
    from zoneinfo import ZoneInfo

    six = datetime(2026, 9, 10, 6, 0, tzinfo=ZoneInfo("America/Chicago"))
    return round(six.timestamp() - START_MS / 1000)


@pytest.mark.parametrize(
    ("begins", "ran", "said"),
    [
        (0, 600, "as paced"),
        (200, 600, "as paced"),  # the timer's clock is three minutes off
        (0, 0, "did not run"),
        (0, 200, "ran too little"),
        (0, 1000, "ran too much"),
    ],
)
def test_a_clock_schedule(begins: int, ran: int, said: str) -> None:
    f = paced("schedule", SCHEDULE)
    f.run(to_six() + begins).run(ran, pump=1).run(HOUR, pump=0)
    assert verdict(f) == said


def test_a_clock_schedule_by_days_and_a_run_at_no_time_of_it() -> None:
    f = paced("schedule", SCHEDULE)
    f.run(to_six()).run(600, pump=1).run(12.5 * HOUR - 600, pump=0)
    assert verdict(f) == "as paced"
    f.run(HOUR)  # Thursday 18:30 has passed without a run
    assert verdict(f) == "did not run"
    f.run(120, pump=1).run(60, pump=0)
    assert verdict(f) == "ran when it should not"


def test_a_run_begun_before_the_watch_is_not_judged() -> None:
    f = paced("schedule", SCHEDULE)
    f.t += (to_six() + 300) * 1000
    f.run(60, pump=1).run(2 * HOUR, pump=0)
    assert verdict(f) == "not judged yet"


@pytest.mark.parametrize(
    ("run_s", "said"),
    [(30, "as paced"), (0, "did not run"), (10, "ran too little"), (60, "ran too much")],
)
def test_per_metered_volume(run_s: int, said: str) -> None:
    f = paced("makeup", 'volume = "100 L"\nrun = "30 s"\n', meter("makeup", "makeup"))
    f.flows = {"makeup": 1200.0}  # a run each five minutes
    for _ in range(40):
        f.flow(300 - run_s, pump=0).flow(run_s, pump=1)
    assert verdict(f) == said


def test_per_metered_volume_a_pump_that_runs_while_nothing_flows() -> None:
    f = paced("makeup", 'volume = "100 L"\nrun = "30 s"\n', meter("makeup", "makeup"))
    f.flow(600).flow(300, pump=1)
    assert verdict(f) == "ran too much"


def test_what_was_not_watched_is_not_judged() -> None:
    f = paced("after blow", 'limit = "10 min"\n')
    f.run(60).run(300, blow=1).run(10, blow=0)
    f.poll(gap_ms=400_000)
    f.run(HOUR)
    assert verdict(f) == "not judged yet"
    f.run(60, pump=None)
    for _ in range(60):
        f.poll()
    assert figure(f, "c.pacing")[1] == "no answer"


def test_a_run_owed_by_a_blow_that_was_not_seen_is_no_fault() -> None:
    f = paced("after blow", 'limit = "10 min"\n')
    f.run(600, pump=1).run(HOUR, pump=0)  # the watch begins after a blow
    assert verdict(f) == "not judged yet"
    f.run(300, blow=1).run(60, blow=0)
    f.run(60, pump=None).run(540, pump=1).run(HOUR, pump=0)
    assert verdict(f) == "not judged yet"
    f.run(300, blow=1).run(600, blow=0, pump=1).run(HOUR, pump=0)  # 300 s of it may be owed from before
    assert verdict(f) == "as paced"
    f.run(300, blow=1).run(600, blow=0, pump=1).run(HOUR, pump=0)
    assert verdict(f) == "ran too much"


def test_a_plant_file_that_does_not_say_how_long_is_not_judged() -> None:
    f = paced("share of time")
    with pytest.raises(ValueError, match=r"c\.pacing"):
        figure(f, "c.pacing")
