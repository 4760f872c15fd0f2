"""Counts to milliamperes, verdicts and values, against tests/reference/current_loop.csv."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.model import Range, Span
from daemon.core.reasons import Quality, Reason
from daemon.core.tags import RawTag
from daemon.measure.current_loop import along, line, loop_reason, milliamps, to_reading
from tests.support.published import Row, rows, table

CL = table("current_loop")


def a_range(text: str) -> Range:
    return Range.model_validate(text)


def a_span(text: str) -> Span:
    return Span.model_validate(text)


def a_tag(span: str | None, r: str | None, whole: bool = True) -> RawTag:
    return RawTag(
        "B1.probe",
        "B1",
        0,
        0,
        "ai.b1_cond",
        "analogue",
        "uS/cm",
        a_span(span) if span else None,
        a_range(r) if r else None,
        "",
        whole,
    )


U16 = "0..65535 = 0..20 mA"
PROBE = "4..20 mA = 0..5000 uS/cm"


@pytest.mark.parametrize("row", rows("current_loop", "scaled value from loop current"), ids=str)
def test_a_current_stands_for_the_published_value(row: Row) -> None:
    x = row.inputs
    r = a_range(f"4..20 mA = {x['LRV']:g}..{x['URV']:g} %")
    assert along(x["I"], r) == pytest.approx(row.number, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("row", rows("current_loop", "loop current from percent of span"), ids=str)
def test_the_line_read_backwards(row: Row) -> None:
    # the inverse line is the same function with its ends exchanged
    back = Range(low_ma=0.0, high_ma=100.0, low=4.0, high=20.0, unit="mA", kind="current")
    assert along(row.inputs["PV"], back) == pytest.approx(row.number, abs=1e-9)


@pytest.mark.parametrize("row", rows("current_loop", "voltage across a 250 ohm sense resistor"), ids=str)
def test_a_voltage_input_is_only_another_span(row: Row) -> None:
    # counts of a 1-5 V module in mV, over 250 ohm: 1000..5000 mV is 4..20 mA
    assert milliamps(row.number * 1000, a_span("1000..5000 = 4..20 mA")) == pytest.approx(row.inputs["I"], abs=1e-9)


@pytest.mark.parametrize("row", rows("current_loop", "current from unsigned raw count"), ids=str)
def test_unsigned_counts(row: Row) -> None:
    x = row.inputs
    span = a_span(f"{x['zero count']:g}..{x['full-scale count']:g} = 0..{x['full-scale current']:g} mA")
    assert milliamps(int(x["count"]), span) == pytest.approx(row.number, abs=1e-6)


@pytest.mark.parametrize("row", rows("current_loop", "current from integer microampere register"), ids=str)
def test_microamperes(row: Row) -> None:
    assert milliamps(int(row.inputs["register"]), a_span("0..20000 = 0..20 mA")) == row.number


BANDS = {
    "failure low": Reason.LOOP_OPEN,
    "valid": Reason.GOOD,
    "failure high": Reason.LOOP_SHORT,
}


@pytest.mark.parametrize("row", rows("current_loop", "NE 43 band of a current"), ids=str)
def test_the_verdict_on_a_current(row: Row) -> None:
    ma = row.inputs["I"]
    if row.expected.startswith("between"):  # CL-036, CL-037: common practice, no source
        assert loop_reason(ma) is (Reason.UNDER_RANGE if ma < 12 else Reason.OVER_RANGE)
    else:
        (wanted,) = [v for k, v in BANDS.items() if row.expected.startswith(k)]
        assert loop_reason(ma) is wanted


def test_the_measuring_band_in_percent_is_cl_038() -> None:
    low, high = CL["CL-038"].numbers
    r = a_range("4..20 mA = 0..100 %")
    assert along(3.8, r) == pytest.approx(low, abs=1e-9)
    assert along(20.5, r) == pytest.approx(high, abs=1e-9)


def test_every_row_of_the_table_is_used_or_is_information() -> None:
    used = ("scaled", "loop current", "voltage across", "current from", "NE 43 band", "NE 43 measuring")
    rest = {r.id for r in CL.values() if not r.quantity.startswith(used)}
    assert rest == {"CL-039", "CL-040", "CL-041", "CL-042"}  # editions and definitions: nothing to reckon


@pytest.mark.parametrize(
    ("span", "count", "ma"),
    [
        ("-32768..32767 = -20..20 mA", 0, 0.000305180),  # signed about zero: arithmetic of the span itself
        ("0..4095 = 4..20 mA", 4095, 20.0),
        ("0..27648 = 4..20 mA", 13824, 12.0),
        ("20000..4000 = 4..20 mA", 20000, 4.0),  # a module that counts down
    ],
)
def test_other_spans_in_use(span: str, count: int, ma: float) -> None:
    assert milliamps(count, a_span(span)) == pytest.approx(ma, abs=1e-9)


def test_a_float_module_gives_milliamperes_itself() -> None:
    tag = a_tag(None, PROBE, whole=False)
    got = to_reading(12.0, tag, 1000)
    assert (got.value, got.unit, got.quality, got.at_ms) == (2500.0, "uS/cm", Quality.GOOD, 1000)
    assert line(tag).resolution == 0.0


def test_a_failed_loop_has_no_value_and_says_why() -> None:
    tag = a_tag(U16, PROBE)
    got = to_reading(0, tag, 5)
    assert (got.value, got.quality, got.reason) == (None, Quality.BAD, Reason.LOOP_OPEN)
    assert got.words == "loop open (3.6 mA or less)"
    assert to_reading(None, tag, 5, Reason.REFUSED_2).words == "module refused (code 2: no such register)"
    assert to_reading(None, tag, 5).reason == Reason.NO_ANSWER


def test_between_the_bands_there_is_a_value_but_it_is_uncertain() -> None:
    got = to_reading(3.7, a_tag(None, PROBE, whole=False), 0)
    assert got.quality is Quality.UNCERTAIN
    assert got.value == pytest.approx(-93.75)


def test_without_a_live_zero_no_current_is_a_value() -> None:
    tag = a_tag(None, "0..20 mA = 0..100 %", whole=False)
    assert to_reading(0.0, tag, 0).value == 0.0
    assert line(tag).reason(0.0) == 0
    assert line(tag).reason(21.0) == Reason.LOOP_SHORT


@pytest.mark.parametrize(
    ("span", "whole", "low", "high", "inside"),
    [
        (U16, True, 13107 + 32, 65535 - 32, 13107 + 33),  # 0.01 mA is 32.8 counts
        ("0..1023 = 0..20 mA", True, 206, 1022, 207),  # 1.5 counts of a coarse module are 0.029 mA
        (None, False, 4.0099, 19.9901, 4.0101),
    ],
)
def test_a_signal_rests_at_an_end_within_resolution(
    span: str | None, whole: bool, low: float, high: float, inside: float
) -> None:
    it = line(a_tag(span, PROBE, whole))
    assert it.at_low_end(it.ma(low))
    assert it.at_high_end(it.ma(high))
    assert not it.at_low_end(it.ma(inside))
    assert not it.at_high_end(it.ma(inside))
    assert it.at_low_end(3.0)
    assert it.at_high_end(22.0)


def test_the_ends_of_a_range_written_backwards_are_still_its_lowest_and_highest_current() -> None:
    it = line(a_tag(U16, "20..4 mA = 0..5000 uS/cm"))
    assert (it.bottom_ma, it.top_ma) == (4.0, 20.0)
    assert it.value(65535) == pytest.approx(0.0, abs=1e-9)
    assert it.value(13107) == pytest.approx(5000.0)


def test_one_count_in_engineering_units() -> None:
    # 16 mA are 52428 counts of 0..65535 = 0..20 mA; 5000 uS/cm over them
    assert line(a_tag(U16, PROBE)).resolution == pytest.approx(5000 / 52428)


SPANS = [
    U16,
    "-32768..32767 = -20..20 mA",
    "0..4095 = 0..20 mA",
    "0..4095 = 4..20 mA",
    "0..20000 = 0..20 mA",
    "20000..0 = 0..20 mA",
    "4..20 = 4..20 mA",
    None,
]
RANGES = [PROBE, "4..20 mA = 100..0 %", "20..4 mA = -10..10 in", "0..20 mA = 0..16 bar", "4..20 mA = 32..212 °F", None]


@given(
    st.sampled_from(SPANS),
    st.sampled_from(RANGES),
    st.one_of(
        st.integers(-40000, 70000),
        st.floats(-5, 30, allow_nan=False),
        st.sampled_from([3.6, 3.8, 20.5, 21.0, 4.0, 20.0]),
    ),
)
def test_the_ready_line_gives_what_the_functions_give(span: str | None, r: str | None, count: float) -> None:
    tag = a_tag(span, r, whole=False)
    it, plain = line(tag), to_reading(count, tag, 0)
    ma = milliamps(count, tag.span)
    assert it.ma(count) == ma
    assert it.reason(count) == plain.reason
    if plain.value is not None:
        assert it.value(count) == plain.value
        assert it.unit == plain.unit
        long_way = along(ma, tag.range) if tag.range else ma
        assert plain.value == pytest.approx(long_way, rel=1e-9, abs=1e-7)


@given(st.sampled_from(SPANS), st.sampled_from(RANGES))
def test_the_good_band_ends_at_the_very_last_good_count(span: str | None, r: str | None) -> None:
    tag = a_tag(span, r)
    it = line(tag)
    for edge, away in ((it.good_min, -math.inf), (it.good_max, math.inf)):
        if math.isfinite(edge):
            beyond = math.nextafter(edge, away)
            assert loop_reason(it.ma(edge), it.live_zero) is Reason.GOOD
            assert loop_reason(it.ma(beyond), it.live_zero) is not Reason.GOOD
