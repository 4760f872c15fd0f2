"""Numbers that an instrument prints: exact in their own unit, reckoned in another, uncertain beyond their range."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.model import Range
from daemon.core.reasons import Quality, Reason, quality, words
from daemon.core.tags import RawTag, base_unit
from daemon.measure.current_loop import line, to_reading


def a_tag(text: str) -> RawTag:
    r = Range.model_validate(text)
    assert r.direct
    return RawTag("c", "c", 0, 0, "m.c", "analogue", base_unit(r), None, r, "", whole=False)


@given(st.floats(-1e12, 1e12), st.sampled_from(["0..5000 uS/cm", "4..7 uS/cm", "2..12 pH", "-10..40 °C", "14..2 pH"]))
def test_a_number_in_the_base_unit_is_the_value_bit_for_bit(number: float, written: str) -> None:
    tag = a_tag(written)
    assert to_reading(number, tag, 0).value == number
    assert line(tag).value(number) == number


@pytest.mark.parametrize(
    ("written", "number", "value"),
    [
        ("32..212 °F", 32.0, 0.0),  # NIST SP 811: t/°C = (t/°F - 32) / 1.8
        ("32..212 °F", 98.6, 37.0),
        ("0..10 mS/cm", 1.5, 1500.0),
        ("0..150 psig", 100.0, 689.4757293168),  # NIST SP 811: 1 psi = 6.894757 kPa
    ],
)
def test_another_unit_is_reckoned(written: str, number: float, value: float) -> None:
    assert to_reading(number, a_tag(written), 0).value == pytest.approx(value, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (-4.0, Reason.GOOD),
        (-4.001, Reason.BELOW_RANGE),
        (0.0, Reason.GOOD),
        (200.0, Reason.GOOD),
        (204.0, Reason.GOOD),
        (204.001, Reason.ABOVE_RANGE),
        (3.0, Reason.GOOD),  # no current: 3 is no broken wire
        (21.5, Reason.GOOD),
    ],
)
@pytest.mark.parametrize("written", ["0..200 uS/cm", "200..0 uS/cm"])
def test_two_percent_of_the_span_may_be_left(written: str, number: float, why: Reason) -> None:
    tag = a_tag(written)
    got, ready = to_reading(number, tag, 7), line(tag)
    assert (got.value, got.reason, got.unit) == (number, why, "uS/cm")
    assert ready.reason(number) == why
    assert got.quality is (Quality.UNCERTAIN if why else Quality.GOOD)
    assert "mA" not in words(why)
    assert quality(why) is got.quality


@given(st.floats(-1e6, 1e6))
def test_both_ways_to_a_reading_agree_and_no_end_is_where_a_signal_rests(number: float) -> None:
    tag = a_tag("32..212 °F")
    ready, got = line(tag), to_reading(number, tag, 0)
    assert ready.value(number) == got.value
    assert ready.reason(number) == got.reason
    assert not ready.at_low_end(ready.ma(number))
    assert not ready.at_high_end(ready.ma(number))
    assert math.isfinite(ready.value(number))
