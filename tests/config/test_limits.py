"""Limits as written and as proposed. The proposals are common practice, no source."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.limits import NONE, analogue_limits, conductivity_limits
from config.load import loads
from config.model import Analogue, Boiler

GOOD = (Path(__file__).parents[2] / "config" / "examples" / "smallest.toml").read_text("utf-8")


def boiler(**written: float | None) -> Boiler:
    first = loads(GOOD).plant.boilers[0]
    assert first.conductivity is not None
    clean = dict.fromkeys(("set_point", "differential", "high", "very_high", "low"))
    return first.model_copy(update={"conductivity": first.conductivity.model_copy(update={**clean, **written})})


def test_limits_proposed_from_set_point_and_differential() -> None:
    found = conductivity_limits(boiler(set_point=3000.0, differential=100.0))
    assert (found.high, found.very_high, found.low) == pytest.approx((3300, 3750, 2465))
    assert found.proposed == ("high", "very_high", "low")
    assert "common practice, no source; to be confirmed" in found.source_text


def test_limits_as_written_stand() -> None:
    found = conductivity_limits(boiler(set_point=3000.0, high=3100.0, very_high=3200.0, low=1000.0))
    assert (found.high, found.very_high, found.low, found.proposed) == (3100.0, 3200.0, 1000.0, ())
    assert found.source_text == "high, very_high, low as written in the plant file"


def test_without_a_set_point_only_what_is_written() -> None:
    assert conductivity_limits(boiler()) == NONE
    assert conductivity_limits(boiler().model_copy(update={"conductivity": None})) == NONE
    found = conductivity_limits(boiler(high=3300.0))
    assert (found.high, found.very_high, found.low) == (3300.0, None, None)


@given(
    st.floats(1, 1e5),
    st.none() | st.floats(0.01, 0.99),
    st.none() | st.floats(1.001, 3),
    st.none() | st.floats(1.001, 3),
)
def test_proposals_keep_the_order(
    sp: float, differential: float | None, high: float | None, very: float | None
) -> None:
    if high and very and high >= very:
        very = high * 1.01
    found = conductivity_limits(
        boiler(
            set_point=sp,
            differential=differential and sp * differential,
            high=high and sp * high,
            very_high=very and sp * very,
        )
    )
    assert found.low is not None
    assert found.high is not None
    assert found.very_high is not None
    assert found.low < sp < found.high < found.very_high


def test_limits_of_another_signal_are_in_the_unit_of_its_range() -> None:
    """Limits at 212 degF and 32 degF are 100 and 0 degC; a deadband of 9 degF is 5 K."""
    a = Analogue.model_validate(
        {"name": "t", "channel": "a.b", "range": "4..20 mA = 0..300 °F", "high": 212, "low": 32, "deadband": 9}
    )
    found = analogue_limits(a)
    assert (found.high, found.low, found.deadband) == pytest.approx((100.0, 0.0, 5.0))
    unknown = a.model_copy(update={"range": a.range.model_copy(update={"kind": "", "unit": "pH"})})
    assert analogue_limits(unknown).high == 212


def test_an_absolute_limit_is_reckoned_like_its_range() -> None:
    """At 1609 m a limit at the top of an absolute range is the top of the range as read there."""
    text = GOOD.replace('units = "us"', 'units = "us"\naltitude = "1609 m"').replace(
        "[[person]]",
        '[[analogue]]\nname = "p"\nchannel = "io.b1_cond"\nrange = "4..20 mA = 0..10 bara"\nhigh = 10\n[[person]]',
    )
    plant = loads(text).plant
    assert analogue_limits(plant.analogues[0], plant.plant.altitude).high == pytest.approx(
        plant.analogues[0].range.high
    )
