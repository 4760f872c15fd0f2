"""Registers to counts: the types and orders by published values, and what is no number."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import Fault
from drivers.modbus.decode import decoder
from drivers.modbus.functions import Refusal
from drivers.modbus.poll import Ask, ready
from drivers.registry import plan_reads
from tests.support.modbus import ORDERS, image, module

LIMITS = {
    "u16": st.integers(0, 2**16 - 1),
    "s16": st.integers(-(2**15), 2**15 - 1),
    "u32": st.integers(0, 2**32 - 1),
    "s32": st.integers(-(2**31), 2**31 - 1),
    "u64": st.integers(0, 2**64 - 1),
    "f32": st.floats(width=32, allow_nan=False, allow_infinity=False),
    "f64": st.floats(allow_nan=False, allow_infinity=False),
    "bcd16": st.integers(0, 9999),
    "bcd32": st.integers(0, 99_999_999),
}


def one(kind: str, words: str = "high first", order: str = "high first", **more: float):  # type: ignore[no-untyped-def]
    channel = {"function": "input", "address": 0, "type": kind, "words": words, "bytes": order, **more}
    return decoder(module({"a": channel}).channels["a"])


@pytest.mark.parametrize("kind", LIMITS)
@given(data=st.data(), lead=st.integers(0, 3))
def test_what_was_put_in_comes_out(kind: str, data: st.DataObject, lead: int) -> None:
    value = data.draw(LIMITS[kind])
    for words, order in ORDERS:
        items = [0xDEAD] * lead + image(kind, value, words, order) + [0xBEEF]
        got = one(kind, words, order)(items, lead)
        assert got == value
        assert type(got) is type(value)


@given(st.integers(0, 65535), st.integers(0, 15))
def test_a_bit_of_a_register(register: int, bit: int) -> None:
    assert one("bit", bit=bit)([register], 0) == register >> bit & 1
    swapped = register >> 8 | (register & 0xFF) << 8
    assert one("bit", order="low first", bit=bit)([swapped], 0) == register >> bit & 1


@pytest.mark.parametrize("kind", ["f32", "f64"])
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_number_is_none(kind: str, value: float) -> None:
    for words, order in ORDERS:
        assert one(kind, words, order)(image(kind, value, words, order), 0) is None


def test_every_pattern_of_a_32_bit_nan_is_none() -> None:
    for sign in (0, 0x8000):
        for first in range(0x7F80, 0x8000):
            for second in (0, 1, 0xFFFF):
                finite = math.isfinite(struct.unpack(">f", struct.pack(">2H", first | sign, second))[0])
                assert (one("f32")([first | sign, second], 0) is None) == (not finite)


@pytest.mark.parametrize("alone", [True, False])
def test_no_number_is_the_fault_of_its_own_channel(alone: bool) -> None:
    """MB-096: NaN float must become bad quality."""
    channels = {"nan": {"function": "input", "address": 0, "type": "f32"}, "ok": {"function": "input", "address": 2}}
    if not alone:
        channels["coil"] = {"function": "coil", "address": 0}
    steps = ready(plan_reads(module(channels))).steps()
    sent: list[int] | Refusal | None = None
    try:
        while True:
            ask: Ask = next(steps) if sent is None else steps.send(sent)
            sent = [1] if ask.request.function == "coil" else [0x7FC0, 0, 5]
    except StopIteration as end:
        answer = end.value
    assert answer.counts[:2] == (None, 5)
    assert answer.faults[:2] == (Fault.NOT_A_NUMBER, Fault.NONE)


@given(st.integers(0, 2**32 - 1))
def test_bcd_is_what_its_hexadecimal_digits_read_as_decimal(raw: int) -> None:
    """Four bits above 9 are no digit: there is no count then."""
    digits = f"{raw:08x}"
    wanted = int(digits) if not set(digits) & set("abcdef") else None
    assert one("bcd32")([raw >> 16, raw & 0xFFFF], 0) == wanted
    assert one("bcd32", "low first")([raw & 0xFFFF, raw >> 16], 0) == wanted
    low = digits[4:]
    assert one("bcd16")([raw & 0xFFFF], 0) == (int(low) if not set(low) & set("abcdef") else None)


@pytest.mark.parametrize(
    ("kind", "none", "registers"),
    [
        ("u16", 0xFFFF, [0xFFFF]),
        ("s16", -32768, [0x8000]),
        ("u32", 0xFFFFFFFF, [0xFFFF, 0xFFFF]),
        ("s32", -(2**31), [0x8000, 0]),
        ("u64", 2**64 - 1, [0xFFFF] * 4),
        ("f32", -9999.9, list(struct.unpack(">2H", struct.pack(">f", -9999.9)))),
        ("f64", -9999.9, list(struct.unpack(">4H", struct.pack(">d", -9999.9)))),
        ("bcd16", 9999, [0x9999]),
        ("bcd32", 0, [0, 0]),
    ],
)
@pytest.mark.parametrize("alone", [True, False])
def test_a_count_that_says_no_value_is_a_fault_of_its_own(
    kind: str, none: float, registers: list[int], alone: bool
) -> None:
    decode = one(kind, not_available=none)
    assert decode(registers, 0) is None
    other = [registers[0] ^ 1, *registers[1:]]
    assert decode(other, 0) == one(kind)(other, 0) is not None
    channels: dict[str, dict[str, object]] = {
        "a": {"function": "input", "address": 0, "type": kind, "not_available": none},
        "nan": {"function": "input", "address": len(registers), "type": "f32"},
        "ok": {"function": "input", "address": len(registers) + 2},
    }
    if not alone:
        channels["coil"] = {"function": "coil", "address": 0}
    steps = ready(plan_reads(module(channels))).steps()
    sent: list[int] | None = None
    try:
        while True:
            ask: Ask = next(steps) if sent is None else steps.send(sent)
            sent = [1] if ask.request.function == "coil" else [*registers, 0x7FC0, 0, 5]
    except StopIteration as end:
        answer = end.value
    assert answer.counts[:3] == (None, None, 5)
    assert answer.faults[:3] == (Fault.NOT_AVAILABLE, Fault.NOT_A_NUMBER, Fault.NONE)
