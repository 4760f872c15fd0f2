"""Cycles by entered tests beside the apparent ones, and refills entered for tanks."""

from __future__ import annotations

import pytest

from daemon.measure.manual import Result, with_result
from tests.support.feed import START_MS, Feed, boiler, plant
from tests.support.figures import WATER, Flowing, analogue, figure, ma, names
from tests.support.published import rows

HOUR, DAY = 3600, 24 * 3600
BY = 'feedwater_conductivity = "feedwater"\ncycles_by = ["chloride", "silica"]\n'


def entered(feed: Feed, target: str, what: str, value: float, ago_s: float = 0.0) -> None:
    """A result in the group to come."""
    s = feed.state.cells.senses
    act = 1 + max((row[3] for row in s.results), default=0)
    taken = START_MS + feed.t - round(ago_s * 1000)
    s.results, s.results_new = with_result(s.results, Result(target, what, taken, act, value, "Kim")), True
    feed.poll()
    feed.state.cells.senses.results_new = False


def house() -> Feed:
    feed = Feed(plant(WATER, boiler(more=BY), analogue("feedwater", "0..500 uS/cm")), every_s=60.0)
    return feed.run(DAY, cond=3000, feedwater=ma(300, 500))


def test_chloride_wins_then_silica_then_the_apparent() -> None:
    feed = house()
    assert figure(feed, "B1.cycles_chloride") == (0.0, "nothing read yet")
    assert figure(feed, "B1.cycles") == (pytest.approx(10, rel=1e-3), "no fresh test of boiler and feedwater")
    entered(feed, "B1", "silica", 90)
    entered(feed, "feedwater", "silica", 7.5)
    assert figure(feed, "B1.cycles_silica") == (pytest.approx(12), "good")
    assert figure(feed, "B1.cycles") == (pytest.approx(12), "good")
    entered(feed, "B1", "chloride", 220)
    entered(feed, "feedwater", "chloride", 20)
    assert figure(feed, "B1.cycles") == figure(feed, "B1.cycles_chloride") == (pytest.approx(11), "good")
    assert figure(feed, "B1.cycles_apparent") == (pytest.approx(10, rel=1e-3), "good")
    # blowdown by the cycles goes by those that count
    assert figure(feed, "B1.blowdown_of_steam") == (pytest.approx(10), "good")


def test_tests_grow_old_and_are_no_pair_when_far_apart() -> None:
    feed = house()
    entered(feed, "B1", "chloride", 220, ago_s=30 * HOUR)
    entered(feed, "feedwater", "chloride", 20)
    assert figure(feed, "B1.cycles_chloride") == (pytest.approx(11), "no fresh test of boiler and feedwater")
    assert figure(feed, "B1.cycles")[0] == pytest.approx(10, rel=1e-3)
    entered(feed, "B1", "chloride", 240)
    assert figure(feed, "B1.cycles") == (pytest.approx(12), "good")
    for day in range(9):  # a live signal that stood still for days would be stuck
        feed.run(DAY, cond=3000 + day % 2 / 4)
    assert figure(feed, "B1.cycles") == (pytest.approx(10, rel=1e-3), "no fresh test of boiler and feedwater")


def test_no_chloride_in_the_feedwater_is_no_cycles() -> None:
    feed = house()
    entered(feed, "B1", "chloride", 220)
    entered(feed, "feedwater", "chloride", 0)
    assert figure(feed, "B1.cycles_chloride") == (0.0, "the figures contradict each other")


def test_a_boiler_without_a_probe_has_cycles_by_tests_alone() -> None:
    text = boiler(more='cycles_by = ["chloride"]\n')
    at = text.index("conductivity = {")
    feed = Feed(plant(WATER, text[:at] + text[text.index("\n", at) + 1 :].replace("sample =", "# sample =")))
    assert {"B1.cycles", "B1.cycles_chloride", "B1.blowdown_of_feedwater"} <= names(feed)
    assert "B1.cycles_apparent" not in names(feed)
    feed.poll()
    entered(feed, "B1", "chloride", 100)
    entered(feed, "feedwater", "chloride", 5)
    assert figure(feed, "B1.cycles") == (pytest.approx(20), "good")
    (row,) = [r for r in rows("blowdown", "percent of steam from percent of feedwater") if r.text.startswith("5 %")]
    assert figure(feed, "B1.blowdown_of_steam")[0] == pytest.approx(row.number, rel=1e-4)


def tank(hours_before: float, filled: float) -> tuple[Flowing, float]:
    """A tank of 200 L drawn at 6 L/h, filled up after so many hours; its litres now."""
    f = Flowing(
        plant(
            WATER,
            boiler(),
            '[[tank]]\nname = "t"\nvolume = "200 L"\nserves = ["B1"]\n'
            'level = { channel = "m.level", range = "4..20 mA = 0..100 %" }\n',
        ),
        every_s=60.0,
    )
    f.flows = {}
    litres = 100.0
    for k in range(round((hours_before + 2) * 60)):
        litres -= 0.1
        if k == round(hours_before * 60) + 4:  # in the middle of a mean
            litres += filled
        f.flow(60, level=ma(litres / 2, 100))
    return f, litres


@pytest.mark.parametrize("filled", [5.0, 60.0])
def test_a_refill_entered_tells_what_was_drawn_while_it_was_filled_in(filled: float) -> None:
    f, litres = tank(5, filled)
    entered(f, "t", "ph", 7)  # any result tells the figures anew
    seen = figure(f, "t.drawn")[0]
    entered(f, "t", "refill", filled, ago_s=1.9 * HOUR)
    told = figure(f, "t.drawn")[0]
    drawn = 100 + filled - litres
    assert told == pytest.approx(drawn, abs=2.1)  # means of ten minutes are up to twenty behind
    assert seen < drawn - 2.1  # what the means around the refill had hidden
    entered(f, "t", "refill", filled, ago_s=1.8 * HOUR)  # entered twice: there was no second rise
    assert figure(f, "t.drawn")[0] == told


def test_a_refill_of_another_shift_is_not_the_rise_that_was_seen() -> None:
    f, _ = tank(5, 60.0)
    entered(f, "t", "ph", 7)
    seen = figure(f, "t.drawn")[0]
    entered(f, "t", "refill", 80.0, ago_s=-13 * HOUR)
    assert figure(f, "t.drawn")[0] == seen
