"""The guard takes the answer asked for and nothing else."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.contract import Request
from drivers.modbus.functions import shape
from drivers.modbus.guard import look, overheard
from tests.support.rawpeer import rtu

SHAPE = shape(Request("input", 0, 2))
PDU = bytes((4, 4, 0x0B, 0xB8, 0xFF, 0xFE))
FRAME = rtu(7, PDU)
REFUSED = rtu(7, b"\x84\x02")
FOREIGN = {
    "another unit": rtu(8, PDU),
    "another function": rtu(7, b"\x03" + PDU[1:]),
    "fewer registers": rtu(7, bytes((4, 2, 1, 2))),
    "more registers": rtu(7, bytes((4, 6, 1, 2, 3, 4, 5, 6))),
    "exception of another unit": rtu(8, b"\x84\x02"),
    "exception of another function": rtu(7, b"\x83\x02"),
    "another unit, our frame inside": rtu(8, bytes((4, len(FRAME))) + FRAME),
}


@pytest.mark.parametrize("frame", [FRAME, REFUSED], ids=["answer", "exception"])
def test_a_whole_frame_is_found(frame: bytes) -> None:
    seen = look(frame, 7, SHAPE)
    assert (seen.pdu, seen.more, seen.foreign, seen.noise) == (frame[1:-2], 0, (), 0)


@pytest.mark.parametrize("frame", FOREIGN.values(), ids=FOREIGN.keys())
def test_a_foreign_frame_is_counted_and_skipped_whole(frame: bytes) -> None:
    alone, before = look(frame, 7, SHAPE), look(frame + FRAME, 7, SHAPE)
    assert (alone.pdu, alone.foreign) == (b"", (frame[0],))
    assert (before.pdu, before.foreign, before.noise) == (PDU, (frame[0],), 0)


def test_a_byte_count_that_lies_under_a_right_checksum_is_no_answer() -> None:
    assert look(rtu(7, bytes((4, 2)) + PDU[2:]), 7, SHAPE).pdu == b""


def test_the_echo_of_the_request_is_noise_before_the_answer() -> None:
    echo = rtu(7, bytes((4, 0, 0, 0, 2)))
    seen = look(echo + FRAME, 7, SHAPE, echo)
    assert (seen.pdu, seen.echoes, seen.noise, seen.masters) == (PDU, 1, 0, ())


@given(st.integers(0, len(FRAME) - 1))
def test_a_part_is_no_answer_and_never_asks_for_more_than_is_to_come(size: int) -> None:
    seen = look(FRAME[:size], 7, SHAPE)
    assert seen.pdu == b""
    assert 1 <= seen.more <= len(FRAME) - size


@given(st.integers(0, 8 * len(FRAME) - 1))
def test_one_wrong_bit_anywhere_and_it_is_no_answer(bit: int) -> None:
    wrong = bytearray(FRAME)
    wrong[bit // 8] ^= 1 << bit % 8
    assert look(bytes(wrong), 7, SHAPE).pdu == b""


@given(st.binary(max_size=40).filter(lambda b: 7 not in b and not any(c in b for c in (1, 2, 3, 4) if c)), st.binary())
def test_noise_around_the_answer_is_skipped(before: bytes, after: bytes) -> None:
    seen = look(before + FRAME + after, 7, SHAPE)
    assert seen.pdu == PDU


@given(st.binary(max_size=300))
def test_it_takes_any_bytes(data: bytes) -> None:
    seen = look(data, 7, SHAPE)
    assert bool(seen.pdu) == (seen.more == 0)
    if seen.pdu:  # then the frame with its right checksum is really there
        assert rtu(7, seen.pdu) in data
    heard = overheard(data)
    assert heard.noise <= len(data) - 5 * len(heard.answers) - 8 * len(heard.masters)


def test_what_nobody_waited_for_is_told_apart() -> None:
    heard = overheard(b"\xff" + FRAME + b"\x00\x00" + rtu(9, b"\x83\x01") + FRAME[:4])
    assert (heard.answers, heard.noise, heard.masters, heard.asking) == ((7, 9), 7, (), False)
