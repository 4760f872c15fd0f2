"""ASCII mode: published rows of tests/reference/modbus.csv, the search among bytes, and the parity bit."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.model import Link
from drivers.contract import DriverError, Fault, Request
from drivers.modbus.ascii import SPOILT, inward, open_ascii, outward
from drivers.modbus.functions import shape
from drivers.modbus.guard_ascii import LARGEST, SMALLEST, body_of, build, look, lrc, overheard
from drivers.modbus.talk import ASCII
from drivers.modbus.timing import ASCII_BITS, ascii_characters
from drivers.registry import plan_reads
from tests.support.modbus import ascii_link, module
from tests.support.published import table
from tests.support.rawpeer import RawAscii, ascii_frame

M = table("modbus")
SHAPE = shape(Request("input", 0, 2))
PDU = bytes((4, 4, 0x0B, 0xB8, 0xFF, 0xFE))
FRAME = ascii_frame(7, PDU)


def test_the_check() -> None:
    """MB-051."""
    row = M["MB-051"]
    assert lrc(bytes.fromhex(row.text.split("=")[1])) == int(row.expected, 16)


def test_two_characters_a_byte() -> None:
    """MB-052."""
    wanted = bytes(int(c, 16) for c in M["MB-052"].expected.split())
    assert build(b"\x5b")[1:3] == wanted


def test_bits_and_longest_frame() -> None:
    """MB-058 and MB-061."""
    assert M["MB-058"].number == ASCII_BITS
    assert M["MB-061"].number == LARGEST == len(build(bytes(254)))
    assert ascii_characters(256, 9600) == pytest.approx(LARGEST * ASCII_BITS / 9600)


def test_units() -> None:
    """MB-062: 1 to 247 are asked; each in two digits."""
    low, high = (int(n) for n in re.findall(r"\d+", M["MB-062"].expected))
    for unit in (low, high):
        answer = ascii_frame(unit, PDU)
        assert look(answer, unit, SHAPE).pdu == PDU
        assert answer[1:3] == b"%02X" % unit


@given(st.binary(min_size=2, max_size=254))
def test_a_frame_is_what_was_put_into_it(body: bytes) -> None:
    frame = build(body)
    assert frame == ascii_frame(body[0], body[1:])
    assert body_of(frame[1:-2]) == (body if len(frame) >= SMALLEST else b"")


@pytest.mark.parametrize(
    "wrong",
    [
        FRAME.lower(),
        FRAME.replace(b"0B", b"0G"),
        FRAME.replace(b"0BB8", b"0BB"),
        FRAME.replace(b"\r\n", b"\n"),
        FRAME.replace(b"0BB8", b"0BB9"),
        b";" + FRAME[1:],
        b":070404\r\n",
        b":\r\n",
    ],
)
def test_what_is_no_frame_is_noise(wrong: bytes) -> None:
    seen = look(wrong, 7, SHAPE)
    assert (seen.pdu, seen.foreign, seen.masters, seen.noise) == (b"", (), (), len(wrong))


@given(st.integers(0, len(FRAME) - 1))
def test_a_part_is_no_answer_and_never_asks_for_more_than_is_to_come(size: int) -> None:
    seen = look(FRAME[:size], 7, SHAPE)
    assert seen.pdu == b""
    assert 1 <= seen.more <= len(FRAME) - size
    assert look(FRAME[:size] + FRAME, 7, SHAPE).pdu == PDU


@given(st.integers(0, 8 * len(FRAME) - 1))
def test_one_wrong_bit_anywhere_and_it_is_no_answer(bit: int) -> None:
    wrong = bytearray(FRAME)
    wrong[bit // 8] ^= 1 << bit % 8
    assert look(bytes(wrong), 7, SHAPE).pdu == b""


@given(st.lists(st.sampled_from([b":", b"\r\n", b"07", b"04", b"0", b"\r", b"\xff", FRAME, FRAME[:9]]), max_size=40))
def test_it_takes_any_bytes(parts: list[bytes]) -> None:
    data = b"".join(parts)
    seen = look(data, 7, SHAPE)
    assert bool(seen.pdu) == (seen.more == 0)
    if seen.pdu:
        assert ascii_frame(7, seen.pdu) in data
    heard = overheard(data)
    assert heard.noise <= len(data)


def characters(parity: str, stop_bits: int = 1) -> Link:
    return ascii_link("/dev/null", parity=parity).model_copy(update={"stop_bits": stop_bits})


@pytest.mark.parametrize(("parity", "even"), [("even", True), ("odd", False)])
def test_each_character_carries_its_parity_bit(parity: str, even: bool) -> None:
    """MB-069 has the bit for eight: an even number of ones with it, here with seven data bits."""
    link = characters(parity)
    there, back = outward(link), inward(link)
    for c in range(128):
        sent = there[c]
        assert sent & 0x7F == c
        assert (f"{sent:b}".count("1") % 2 == 0) is even
        assert back[sent] == c
        assert {back[sent ^ 1 << bit] for bit in range(8)} == {SPOILT}


def test_without_parity_seven_bits_count_and_two_stops_are_a_mark() -> None:
    assert [outward(characters("none"))[c] for c in (0x3A, 0x0D)] == [0x3A, 0x0D]
    assert [outward(characters("none", 2))[c] for c in (0x3A, 0x0D)] == [0xBA, 0x8D]
    assert [inward(characters("none"))[c] for c in (0x3A, 0xBA)] == [0x3A, 0x3A]


@pytest.mark.parametrize("parity", ["even", "odd"])
async def test_parity_is_sent_and_checked_on_the_line(tmp_path: Path, parity: str) -> None:
    """A pseudo-terminal passes eight bits, so the peer sees what a wire would carry."""
    there = outward(characters(parity))
    spoilt = bytearray(FRAME.translate(there))
    spoilt[9] ^= 0x83  # two data bits and the parity bit: an odd number

    class Peer(RawAscii):
        def _cut(self) -> bytes:
            assert self._pending.translate(outward(characters(parity))) == self._pending
            self._pending = bytes(c & 0x7F for c in self._pending)
            return super()._cut()

    replies = [lambda q: [FRAME.translate(there)], lambda q: [bytes(spoilt)], lambda q: [FRAME]]
    plan = plan_reads(module({"a": {"function": "input", "address": 0}, "b": {"function": "input", "address": 1}}, 7))
    async with Peer(tmp_path, *replies) as peer:
        driver = open_ascii(ascii_link(peer.path, "150 ms", parity))
        answers = [await driver.read(plan) for _ in range(3)]
        await driver.aclose()
    assert [a.counts for a in answers] == [(3000, 65534), (None, None), (None, None)]
    assert {f for a in answers[1:] for f in a.faults} == {Fault.BAD_ANSWER}


def test_a_request_of_the_driver_is_the_published_frame_in_two_characters_a_byte() -> None:
    """MB-051's bytes are a request: unit 17, function 3, address 0x6B, 3 registers."""
    from drivers.modbus.functions import encode

    made = ASCII.build(0x11, encode(Request("holding", 0x6B, 3), 0x11))
    assert made == b":1103006B0003" + M["MB-051"].expected[2:].encode() + b"\r\n"


def test_a_link_without_a_device_is_an_error() -> None:
    with pytest.raises(DriverError, match="Link text: modbus-ascii wants device"):
        open_ascii(ascii_link("/dev/null").model_copy(update={"device": None}))
