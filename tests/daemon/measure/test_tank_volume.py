"""Level to volume, against areas reckoned another way, and by property."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pytest import approx

from config import units
from config.load import loads
from daemon.core.reasons import Reason
from daemon.core.tags import derived_tags
from daemon.measure.tank_volume import LevelCell, TankSpec, segment, tank_spec
from tests.support.feed import HEAD, Feed, boiler, plant

GAL = units.GAL_M3


def tank(level: str, shape: str = "") -> str:
    return (
        f'[[tank]]\nname = "salt"\nvolume = "100 gal"\nserves = ["B1"]\n'
        f'level = {{ channel = "m.temp", range = "4..20 mA = {level}" }}\n' + (f"shape = {shape}\n" if shape else "")
    )


def spec(level: str, shape: str = "") -> TankSpec:
    found = tank_spec(loads(HEAD + boiler("continuous") + tank(level, shape)).plant.tanks[0])
    assert found is not None
    return found


def chords(x: float, n: int = 20_000) -> float:
    """The share of a circle below a share of its diameter, summed from the widths of its chords (midpoint rule)."""
    return sum(2 * math.sqrt(h - h * h) for k in range(n) if (h := (k + 0.5) * x / n)) * x / n / (math.pi / 4)


@pytest.mark.parametrize("x", [0.01, 0.1, 0.25, 0.5, 0.75, 0.9, 0.999])
def test_a_lying_cylinder_holds_the_segment_of_its_circle(x: float) -> None:
    assert segment(x) == approx(chords(x), abs=1e-5)
    assert segment(x) + segment(1 - x) == approx(1.0)


def test_a_quarter_of_the_diameter_is_a_fifth_of_the_volume() -> None:
    # (pi/3 - sqrt(3)/4) / pi: sector of 120 degrees less its triangle, by elementary geometry
    assert segment(0.25) == approx((math.pi / 3 - math.sqrt(3) / 4) / math.pi)


@pytest.mark.parametrize(
    ("range_", "shape", "level", "gallons"),
    [
        ("0..100 %", "", 40.0, 40.0),
        ("0..100 gal", "", 40 * GAL, 40.0),
        ("0..100 %", '{ form = "upright" }', 40.0, 40.0),
        ("0..1 m", '{ form = "upright", height = "80 cm" }'.replace("80 cm", "800 mm"), 0.2, 25.0),
        ("0..100 %", '{ form = "horizontal" }', 25.0, 19.5501),
        ("0..40 in", '{ form = "horizontal", diameter = "40 in" }', 10 * 0.0254, 19.5501),
        # 10 in of brine of 1.2 press as 12 in of water
        ("0..100 inWC", '{ form = "upright", height = "40 in", gravity = 1.2 }', 12 * 0.24908891, 25.0),
        ("0..40 in", '{ form = "table", table = ["0 in = 0 gal", "10 in = 5 gal", "40 in = 95 gal"] }', 0.508, 35.0),
        ("0..100 %", '{ form = "table", table = ["0 % = 2 gal", "100 % = 100 gal"] }', 50.0, 51.0),
    ],
)
def test_levels_and_volumes(range_: str, shape: str, level: float, gallons: float) -> None:
    volume, why = spec(range_, shape).holds(level)
    assert volume / GAL == approx(gallons, rel=1e-4)
    assert why == 0


def test_beyond_its_ends_a_tank_holds_what_it_does_there_and_says_so() -> None:
    it = spec("0..100 %", '{ form = "horizontal" }')
    assert it.holds(-1.0) == (0.0, 0)
    assert it.holds(-5.0) == (0.0, Reason.LEVEL_OUTSIDE)
    assert it.holds(130.0) == (approx(100 * GAL), Reason.LEVEL_OUTSIDE)


def test_a_level_in_inches_without_a_shape_tells_no_volume() -> None:
    p = loads(HEAD + boiler("continuous") + tank("0..40 in")).plant
    assert tank_spec(p.tanks[0]) is None
    assert "salt.volume" not in [t.name for t in derived_tags(p)]


SPECS = [
    TankSpec("upright", 100.0, 0.4),
    TankSpec("horizontal", 1.2, 3.0),
    TankSpec("table", 2.0, 9.0, ((0.5, 1.0), (1.0, 1.0), (2.0, 9.0))),
]


@given(st.lists(st.floats(-1e9, 1e9), min_size=2, max_size=2), st.sampled_from(SPECS))
def test_more_level_is_never_less_volume(levels: list[float], it: TankSpec) -> None:
    low, high = (it.holds(x)[0] for x in sorted(levels))
    assert 0 <= low <= high <= it.volume


def test_small_movements_are_not_told_and_a_bad_level_has_no_volume() -> None:
    it, cell = TankSpec("upright", 100.0, 1.0), LevelCell()
    assert cell.follow(50.0, 0, it, False) == (0.5, 0)
    assert cell.follow(50.1, 0, it, False) is None
    assert cell.follow(50.1, 0, it, True) == (approx(0.501), 0)
    assert cell.follow(None, 40, it, False) == (0.0, 40)
    assert cell.follow(None, 40, it, False) is None
    assert cell.follow(50.1, 0, it, False) == (approx(0.501), 0)


def test_the_engine_tells_the_volume_of_a_tank() -> None:
    feed = Feed(plant(boiler("continuous"), tank("0..100 %", '{ form = "horizontal" }')))
    k = [t.name for t in derived_tags(feed.plant)].index("salt.volume")
    (got,) = (d for d in feed.poll(temp=8.0).derived if d.tag == k)
    assert got.value / GAL == approx(19.55, abs=0.01)
    assert [d.reason for d in feed.poll(temp=3.0).derived if d.tag == k] == [Reason.LOOP_OPEN]
