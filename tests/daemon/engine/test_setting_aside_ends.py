"""What was said comes to its end whatever the PC's clock does, and a boiler that shows water or fire is not drained."""

from __future__ import annotations

from dataclasses import replace

from daemon.core.reasons import Reason
from daemon.engine import step
from tests.support.feed import START_MS, WATER, Feed, boiler, plant

HOUR = 3600.0
YEARS_MS = 20 * 365 * 86_400_000
BURNER = 'burner = { contact = "m.alarm", closed_means = "firing" }\n'
LEVELS = "\n".join(WATER.splitlines()[:2]) + "\n"
PLANT = plant(boiler(more=WATER))
FIRED = plant(boiler(more=LEVELS + BURNER))


def out(feed: Feed, target: str = "B1", **body: object) -> str:
    until = START_MS + feed.t + round(HOUR * 1000)
    return feed.act("out", target=target, until_ms=until, why="inspector", **body)


def with_clock_years_back(feed: Feed, seconds: float) -> list[tuple[str, str]]:
    """Go on under a clock that lost its date; the mails of that time."""
    mails: list[tuple[str, str]] = []
    for _ in range(round(seconds * 1000 / feed.every_ms)):
        group = feed.group()
        feed.state, (outcome,) = step(feed.state, [replace(group, at_ms=group.at_ms - YEARS_MS)])
        mails += [(n.kind, n.event) for n in outcome.notices]
    return mails


def test_out_of_service_ends_after_its_time_though_the_clock_was_set_back() -> None:
    feed = Feed(PLANT).run(600, limit=0)
    assert out(feed, drained=True) == ""
    feed.run(60, low=1)
    assert with_clock_years_back(feed, 3000) == []
    assert feed.alarm_state("low_water") == "out of service"
    assert ("low_water", "raised") in with_clock_years_back(feed, 1200)
    assert feed.alarm_state("low_water") == "unacknowledged"
    senses = feed.state.cells.senses
    assert (senses.outs, senses.words) == ((), ())


def test_an_alarm_put_aside_stands_again_though_the_clock_was_set_back() -> None:
    feed = Feed(PLANT).run(600)
    feed.run(60, alarm=1)
    until = START_MS + feed.t + round(HOUR * 1000)
    number = feed.last("controller_alarm").occurrence
    assert feed.act("shelve", occurrence=number, until_ms=until, why="relay on order") == ""
    assert with_clock_years_back(feed, 3000) == []
    assert feed.alarm_state("controller_alarm") == "shelved"
    assert ("controller_alarm", "raised") in with_clock_years_back(feed, 1200)


def test_a_closed_limit_circuit_speaks_against_drained_and_not_against_laid_up() -> None:
    feed = Feed(PLANT).run(600, limit=1)
    assert "not taken as drained: its limit circuit is closed" in out(feed, drained=True)
    feed.run(30, low=1)
    assert feed.alarm_state("low_water") == "unacknowledged"
    until = START_MS + feed.t + round(HOUR * 1000)
    assert feed.act("word", target="B1", state="laid up wet", until_ms=until, why="summer") == ""

    feed = Feed(PLANT).run(600, limit=0)
    assert out(feed, drained=True) == ""
    feed.run(60, low=1)
    assert feed.alarm_state("low_water") == "out of service"
    feed.run(20, limit=1)
    assert "no longer taken as drained: its limit circuit is closed" in feed.last("out_of_service").evidence
    assert feed.alarm_state("low_water") == "unacknowledged"


def test_a_burner_contact_out_of_service_still_speaks_against_drained() -> None:
    feed = Feed(FIRED).run(600, limit=0, alarm=0)
    assert out(feed, "B1.burner") == ""
    outcome = feed.poll()
    assert outcome.verdicts[0][7] == Reason.OUT_OF_SERVICE
    assert out(feed, drained=True) == ""
    feed.run(60, low=1)
    assert feed.alarm_state("low_water") == "out of service"
    feed.run(30, alarm=1)
    assert feed.alarm_state("low_water") == "unacknowledged"

    feed = Feed(FIRED).run(600, limit=0, alarm=1)
    out(feed, "B1.burner")
    feed.run(30, low=1)
    out(feed, drained=True)
    feed.run(30)
    assert feed.alarm_state("low_water") == "unacknowledged"
    assert feed.state.cells.senses.words == ()
