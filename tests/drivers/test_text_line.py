"""Lines of text instruments: what is cut, what a line gives, and that no noise gives a number."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import config
from config.load import load
from config.text import compiled
from drivers.contract import Fault
from drivers.registry import plan_reads
from drivers.text import TextPlan
from drivers.text_line import Cutter, Instrument, checked, number, summed, understood

COND = Instrument(compiled(r"COND=(?P<cond>[-+0-9.]+)\s*uS\s+T=(?P<temp>[-+0-9.]+)\s*.?C"))
SUMMED = Instrument(compiled(r"\$?(?P<a>[^,]*),(?P<b>[^,]*)"), checksum="xor8")
BOTH = ("cond", "temp")


@pytest.mark.parametrize(
    ("line", "counts"),
    [
        (b"COND=151.5 uS T=24.9 C", (151.5, 24.9)),
        (b"  COND=151.5uS  T=-0.5C \t", (151.5, -0.5)),
        (b"\x02COND=+3. uS T=.5 C\x03", (3.0, 0.5)),
        (b"COND=151.5 uS T=24.9 \xb0C", (151.5, 24.9)),  # a degree sign of ISO 8859-1
        (b"COND=0.1 uS T=1 C", (0.1, 1.0)),
    ],
)
def test_a_line_gives_its_numbers(line: bytes, counts: tuple[float, float]) -> None:
    said = understood(line, COND, BOTH)
    assert (said.counts, said.faults, said.detail) == (counts, (Fault.NONE, Fault.NONE), "")


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"COND=151.5 uS T=24.9", "does not fit"),  # cut short
        (b"ND=151.5 uS T=24.9 C", "does not fit"),
        (b"COND=151.5 uS T=24.9 C COND=151.5 uS T=24.9 C", "does not fit"),
        (b"COND=151.5\x00 uS T=24.9 C", "control characters"),
        (b"COND=151.5 uS T=24.9\x7fC", "control characters"),
        (b"\xff\xfe\xfd", "does not fit"),
        (b"COND=\xb2 uS T=24.9 C", "does not fit"),  # a superscript two is no digit
        (None, "more than 256 characters"),
    ],
)
def test_any_other_line_gives_none_and_says_why(line: bytes | None, why: str) -> None:
    said = understood(line, COND, BOTH)
    assert (said.counts, set(said.faults)) == ((None, None), {Fault.BAD_ANSWER})
    assert why in said.detail
    assert said.bad


def test_a_field_that_is_no_number_faults_itself_alone() -> None:
    said = understood(b"COND=1.5.1 uS T=24.9 C", COND, BOTH)
    assert (said.counts, said.faults) == ((None, 24.9), (Fault.NOT_A_NUMBER, Fault.NONE))
    assert said.detail == "cond is '1.5.1'"
    assert not said.bad


@pytest.mark.parametrize(
    "text", ["", "nan", "NaN", "inf", "-inf", "1e999", "1_000", "0x10", "1,5", "--1", "1 5", "OVER", "-", ".", "+.e1"]
)
def test_what_is_no_number(text: str) -> None:
    assert number(text, ".") == (None, Fault.NOT_A_NUMBER)


@pytest.mark.parametrize(("text", "value"), [("1,5", 1.5), ("-,5", -0.5), ("12", 12.0), ("1,2e3", 1200.0)])
def test_a_decimal_comma(text: str, value: float) -> None:
    assert number(text, ",") == (value, Fault.NONE)
    assert number("1.5", ",") == (None, Fault.NOT_A_NUMBER)  # might be a thousand and a half


def test_a_field_that_is_not_in_the_line_is_not_available() -> None:
    how = Instrument(compiled(r"A=(?P<a>\S+)( B=(?P<b>\S+))?"))
    assert understood(b"A=1", how, ("a", "b")).faults == (Fault.NONE, Fault.NOT_AVAILABLE)


def test_the_checksum_of_a_widely_published_sentence() -> None:
    """NMEA 0183: the exclusive or between $ and *; this example sentence is in general circulation with its sum 47."""
    sentence = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
    assert checked(sentence, "xor8") == (sentence[:-3], "")
    assert checked(sentence.replace(b"545.4", b"545.5"), "xor8")[1].startswith("checksum 47, wants 46")


def test_a_sum_is_modulo_256() -> None:
    assert summed(b"\x80\x81\x02", "sum8") == 0x03  # 0x80 + 0x81 + 0x02 = 0x103
    assert checked(b"12,5*c4", "sum8") == (b"12,5", "")  # 0x31 + 0x32 + 0x2c + 0x35 = 0xc4


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"$1,2*2F", ""),  # 0x31 ^ 0x2c ^ 0x32 = 0x2f
        (b"1,2*2f", ""),
        (b"$1,2*2E", "checksum 2E, wants 2F"),
        (b"$1,3*2F", "checksum 2F, wants 2E"),
        (b"$1,2", "no checksum"),
        (b"$1,2*", "no checksum"),
        (b"$1,2*2", "no checksum"),
        (b"$1,2*2G", "no checksum"),
        (b"$1,2*2F5", "no checksum"),
    ],
)
def test_a_line_without_its_checksum_is_none(line: bytes, why: str) -> None:
    said = understood(line, SUMMED, ("a", "b"))
    assert said.counts == ((None, None) if why else (1.0, 2.0))
    assert why in said.detail


@given(st.binary(min_size=1, max_size=20), st.data())
def test_one_changed_character_never_passes_an_exclusive_or(body: bytes, data: st.DataObject) -> None:
    whole = body + b"*%02X" % summed(body.removeprefix(b"$"), "xor8")
    at = data.draw(st.integers(0, len(body) - 1))
    changed = data.draw(st.integers(0, 255).filter(lambda c: c not in (body[at], *b"$*")))
    if body[:1] != b"$":
        spoiled = body[:at] + bytes((changed,)) + body[at + 1 :] + whole[len(body) :]
        assert checked(spoiled, "xor8")[1] != ""


# ------------------------------------------------------------------ cutting


def cut(data: bytes, ends: bytes = b"", longest: int = 20, begun: bool = True, size: int = 1000) -> list[bytes | None]:
    cutter = Cutter(ends, longest, begun=begun)
    return [line for i in range(0, len(data), size) for line in cutter.feed(data[i : i + size])]


def test_lines_end_with_cr_lf_or_both() -> None:
    assert cut(b"a\rb\nc\r\n\r\n \r\nd") == [b"a", b"b", b"c"]
    assert cut(b"a\rb\nc\r\nd\r", b"\r\n") == [b"a\rb\nc"]


def test_half_a_line_at_the_beginning_is_thrown_away() -> None:
    assert cut(b"lf\r\nwhole\r\n", begun=False) == [b"whole"]
    assert cut(b"lf\r\nwhole\r\n", b"\r\n", begun=False) == [b"whole"]


def test_a_line_that_is_too_long_is_one_bad_line_and_the_next_is_good() -> None:
    assert cut(b"x" * 21 + b"\n" + b"y" * 20 + b"\n") == [None, b"y" * 20]
    assert cut(b"x" * 500 + b"\ny\n") == [None, b"y"]
    assert cut(b"x" * 500 + b"\ny\n", begun=False) == [b"y"]
    assert cut(b"x" * 500 + b"\ny\n", size=7) == [None, b"y"]
    assert cut(b"x" * 500 + b"\r\ny\r\n", b"\r\n", size=1) == [None, b"y"]


@given(st.binary(max_size=300), st.sampled_from([b"", b"\r", b"\n", b"\r\n"]), st.integers(1, 40), st.booleans())
def test_pieces_make_no_difference(data: bytes, ends: bytes, size: int, begun: bool) -> None:
    assert cut(data, ends, begun=begun) == cut(data, ends, begun=begun, size=size)


@given(st.lists(st.sampled_from([b"ab", b"1.5", b"\r", b"\n", b"\r\n", b"x" * 30, b" "]), max_size=30))
def test_every_line_lies_whole_between_two_ends(pieces: list[bytes]) -> None:
    data = b"".join(pieces)
    wanted = re.split(rb"[\r\n]", data)[:-1]
    assert [x for x in cut(data) if x is not None] == [w for w in wanted if w.strip() and len(w) <= 20]


# ------------------------------------------------------------------ any bytes whatever

NOISE = st.one_of(
    st.binary(max_size=80),
    st.lists(
        st.sampled_from([b"COND=", b"1.5", b" uS T=", b"-2", b" C", b"\r\n", b"\x00", b"*2F", b"nan", b"\xff"]),
        max_size=14,
    ).map(b"".join),
)


@given(NOISE)
def test_no_bytes_raise_and_no_number_comes_but_from_a_line_that_fits(data: bytes) -> None:
    """Judged by another reading of the same rule: the whole line, split at its blanks and marks by hand."""
    for line in cut(data, longest=80):
        said = understood(line, COND, BOTH)
        assert len(said.counts) == len(said.faults) == 2
        assert [c is None for c in said.counts] == [f is not Fault.NONE for f in said.faults]
        assert "\n" not in said.detail
        for count, name in zip(said.counts, (b"COND=", b"T="), strict=True):
            if count is not None:
                assert math.isfinite(count)
                assert line is not None
                assert line.count(name) == 1
                assert float(re.split(rb"[ uC\xb0\xff]", line.split(name)[1].lstrip())[0]) == count


@given(NOISE)
def test_with_a_checksum_a_number_comes_only_where_it_is_right(data: bytes) -> None:
    for line in cut(data, longest=80):
        said = understood(line, SUMMED, ("a", "b"))
        if any(c is not None for c in said.counts):
            assert line is not None
            text = line.strip(b" \t\x02\x03")
            body, digits = text[:-3], text[-2:]
            total = 0
            for byte in body[1:] if body[:1] == b"$" else body:
                total ^= byte
            assert text[-3:-2] == b"*"
            assert int(digits, 16) == total


@pytest.mark.parametrize(
    ("module", "counts"), [("condensate_meter", (12.4, 81.5)), ("hardness_meter", (0.4,))], ids=["by itself", "asked"]
)
def test_the_example_plant_reads_the_lines_that_stand_beside_it(module: str, counts: tuple[float, ...]) -> None:
    path = Path(config.__file__).parent / "examples" / "printed.toml"
    line = re.search(rf'name = "{module}" +# (.+)', path.read_text("utf-8"))
    assert line is not None
    how = plan_reads(next(m for m in load(path).plant.modules if m.name == module))
    assert isinstance(how, TextPlan)
    assert understood(line[1].encode("ascii"), how.instrument, how.fields).counts == counts
