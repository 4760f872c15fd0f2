"""What pumps were commanded, what was fed and drawn, and the dose: each from its own source, said which."""

from __future__ import annotations

import random

import pytest

from daemon.core.tags import derived_tags
from tests.support.feed import Feed, boiler, plant
from tests.support.figures import WATER, Flowing, analogue, figure, ma, meter, names

HOUR = 3600
DAY = 24 * HOUR
BEHIND = 0.6  # L at 1.5 L/h: means of ten minutes, told each ten minutes, are up to twenty behind


def chemical(text: str = 'rate = "2 L/h"\nrate_date = "2026-09-14"\n') -> str:
    return f'[[chemical]]\nname = "c"\npump = "m.pump"\n{text}serves = ["B1"]\n'


def tank(volume: str = "200 L", level: str = "0..100 %") -> str:
    return (
        f'[[tank]]\nname = "t"\nvolume = "{volume}"\nlevel = {{ channel = "m.level", range = "4..20 mA = {level}" }}\n'
        'serves = ["B1"]\n'
    )


def flowing(*parts: str, every_s: float = 60.0, **flows: float) -> Flowing:
    f = Flowing(plant(WATER, boiler(), *parts), every_s=every_s)
    f.flows = flows
    return f


def cycles(f: Flowing, hours: float, on: int = 600, cycle: int = 3600) -> Flowing:
    """The pump runs `on` seconds of each cycle."""
    for _ in range(round(hours * HOUR / cycle)):
        f.flow(on, pump=1).flow(cycle - on, pump=0)
    return f


def label(f: Feed, name: str) -> str:
    return next(t.label for t in derived_tags(f.plant) if t.name == name)


def test_a_dated_rate_makes_litres_of_the_commanded_time() -> None:
    f = cycles(flowing(chemical(), meter("makeup", "makeup"), makeup=400.0), 23)
    assert figure(f, "c.commanded") == (pytest.approx(23 / 6, rel=0.01), "good")
    assert figure(f, "c.fed") == (pytest.approx(2 * 23 / 6, rel=0.01), "good")
    # 333 mL an hour into 400 L an hour
    assert figure(f, "c.dose") == (pytest.approx(2000 / 6 / 0.4, rel=0.01), "good")


def test_a_rate_without_a_date_is_nominal() -> None:
    f = cycles(flowing(chemical('rate = "2 L/h"\n')), 23)
    assert figure(f, "c.fed") == (pytest.approx(2 * 23 / 6, rel=0.01), "nominal: no dated draw-down test")
    assert label(f, "c.fed").endswith("(nominal)")


def test_without_rate_or_tank_the_relay_says_only_what_it_commanded() -> None:
    f = cycles(flowing(chemical("")), 2)
    assert names(f) == {"c.commanded"}


def test_a_pump_driven_by_pulses_is_told_by_its_strokes() -> None:
    # relay on all the time, 600 strokes of 0.5 mL an hour
    text = 'meter = "strokes"\nrate_date = "2026-09-14"\n'
    f = flowing(chemical(text), meter("strokes", "other", "0.5 mL"), strokes=600.0)
    f.flow(DAY - HOUR, pump=1)
    assert figure(f, "c.commanded")[0] == pytest.approx(23, rel=0.01)
    assert figure(f, "c.fed") == (pytest.approx(0.3 * 23, rel=0.01), "good")
    assert "strokes" in next(t.about for t in derived_tags(f.plant) if t.name == "c.fed")


def test_a_pump_driven_by_current_goes_with_its_speed() -> None:
    text = 'rate = "2 L/h"\nrate_date = "2026-09-14"\nspeed = "speed"\n'
    f = flowing(chemical(text), analogue("speed", "0..100 %"))
    f.flow(12 * HOUR, pump=1, speed=ma(25, 100)).flow(11 * HOUR, speed=ma(75, 100))
    assert figure(f, "c.fed") == (pytest.approx(2 * (12 * 0.25 + 11 * 0.75), abs=0.3), "good")
    f.flow(2 * HOUR, speed=0)  # the loop breaks: what is fed is no longer known
    assert figure(f, "c.fed")[1] == "rests on uncertain readings"


def falling(f: Flowing, litres: float, hours: float, per_hour: float, noise: float = 0.0, top: float = 200.0) -> float:
    draw = random.Random(4)
    for _ in range(round(hours * 60)):
        litres -= per_hour / 60
        f.flow(60, level=ma((litres + draw.gauss(0, noise)) / top * 100, 100))
    return litres


def test_what_left_the_tank_is_the_fall_of_its_level_with_refills_seen() -> None:
    f = flowing(chemical('tank = "t"\n'), tank())
    left = falling(f, 100, 10, 1.5, noise=0.2)
    assert figure(f, "t.drawn")[0] == pytest.approx(15, abs=BEHIND)
    f.flow(300, level=ma(95, 100))  # a can of chemical: 105 L
    left = falling(f, 190, 13, 1.5, noise=0.2)
    value, why = figure(f, "t.drawn")
    assert value == pytest.approx(15 + 19.5, abs=2 * BEHIND)
    assert why == "good"
    assert figure(f, "c.fed") == (value, why)  # the only pump on the tank
    assert left == pytest.approx(170.5)


def test_a_tank_read_in_volume() -> None:
    f = flowing(chemical('tank = "t"\n'), tank("200 L", "0..200 L"))
    falling(f, 100, 10, 1.5)
    assert figure(f, "t.drawn")[0] == pytest.approx(15, abs=BEHIND)


def test_two_pumps_on_one_tank_are_not_divided() -> None:
    other = chemical('tank = "t"\n').replace('"c"', '"d"').replace("m.pump", "m.high")
    f = flowing(chemical('tank = "t"\n'), other, tank())
    falling(f, 100, 2, 1.5)
    assert names(f) == {"t.drawn", "c.commanded", "d.commanded"}


def test_a_level_that_cannot_be_read_most_of_the_day_leaves_the_rest_uncertain() -> None:
    f = flowing(chemical('tank = "t"\n'), tank())
    f.flow(600, level=0)
    assert figure(f, "t.drawn") == (0.0, "nothing read yet")
    falling(f, 100, 6, 1.5)
    f.flow(16 * HOUR, level=0)
    assert figure(f, "t.drawn")[1] == "rests on uncertain readings"


def test_a_relay_that_was_never_read_says_nothing() -> None:
    f = flowing(chemical(), meter("makeup", "makeup"), makeup=400.0)
    f.flow(HOUR, pump=None)
    assert figure(f, "c.commanded") == (0.0, "no answer")
    assert figure(f, "c.fed") == (0.0, "no answer")
    assert figure(f, "c.dose") == (0.0, "no answer")


def test_no_makeup_no_dose() -> None:
    f = cycles(flowing(chemical(), meter("makeup", "makeup"), makeup=0.0), 23)
    assert figure(f, "c.dose") == (0.0, "nothing flowed in the time")
