"""A dial beside our total: the usual slips are named, agreement is not made a fault, and too little is not judged."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config import units
from daemon.measure.dial import LIKELY, compare, words
from tests.support.published import table

PULSE = 0.1


@pytest.mark.parametrize(
    ("dial", "named"),
    [
        (1000.0, "ten times as far"),
        (1013.0, "ten times as far"),
        (10.0, "a tenth as far"),
        (10_000.0, "a hundred times as far"),
        (1.0, "a hundredth as far"),
        (200.0, "twice as far: every other pulse is missed"),
        (50.0, "half as far: each pulse counted twice"),
        (378.5, "3.785 times as far: litres"),
        (26.42, "1/3.785 as far: gallons"),
        (748.0, "7.48 times as far"),
        (160.0, ""),
        (107.0, ""),
    ],
)
def test_a_likely_cause_is_named(dial: float, named: str) -> None:
    got = compare(dial, 100.0, PULSE)
    assert (named in got.cause) if named else got.cause == ""
    assert not got.agree


@pytest.mark.parametrize("id", ["WM-020", "WM-021"])
def test_the_ratios_of_units_are_those_of_the_definitions(id: str) -> None:
    row = table("water_meters")[id]
    (cause,) = (text for ratio, text in LIKELY if ratio == pytest.approx(row.number, rel=1e-6))
    assert compare(100 * row.number, 100.0, PULSE).cause == cause


@pytest.mark.parametrize("id", ["WM-018", "WM-019"])
def test_the_difference_is_the_relative_error_of_indication(id: str) -> None:
    row = table("water_meters")[id]
    got = compare(row.inputs["indicated"], row.inputs["actual"], PULSE)
    assert got.ratio is not None
    assert (got.ratio - 1) * 100 == pytest.approx(row.number, abs=float(row.tolerance))
    assert got.agree


def test_what_cannot_be_compared_says_why() -> None:
    assert compare(0.5, 0.4, PULSE).cause == "too little has passed to compare"
    assert "less than before" in compare(-3.0, 100.0, PULSE).cause
    assert compare(100.0, 0.0, PULSE).cause == "the dial moved and no pulse was counted"
    assert "the dial stood still" in compare(0.0, 100.0, PULSE).cause


def test_the_sentence_keeps_both_figures_in_the_plants_unit() -> None:
    gal = units.GAL_M3
    text = words(compare(2000 * gal, 1000 * gal, gal), "m3", "us")
    assert text.startswith(
        "since the last reading the dial moved 2000 US gal, ours 1000 US gal: dial to ours 2 (+100 %)"
    )
    assert "agree within 1 %" in words(compare(1010 * gal, 1000 * gal, gal), "m3", "us")


@given(st.floats(-1e12, 1e12), st.floats(0, 1e12), st.floats(1e-9, 1e3))
def test_no_figures_make_an_exception(dial: float, ours: float, pulse: float) -> None:
    assert words(compare(dial, ours, pulse), "m3", "si")
