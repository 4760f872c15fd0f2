"""Published rows of tests/reference/modbus.csv against the drivers; each test id carries row and source."""

from __future__ import annotations

import re
import struct

import pytest

from config.model import REGISTERS, Module
from drivers.contract import Fault, Request, refused
from drivers.modbus.decode import decoder
from drivers.modbus.functions import MEANINGS, READS, Refusal, encode, items, shape
from drivers.modbus.guard import LARGEST as LARGEST_RTU
from drivers.modbus.guard import checked, look
from drivers.modbus.plan import LARGEST, plan
from drivers.modbus.tcp import Frames
from drivers.modbus.timing import BITS, characters, silence
from tests.support.modbus import module
from tests.support.published import Row, rows, table
from tests.support.rawpeer import rtu

M = table("modbus")
FUNCTIONS = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}


def ids(*numbers: int) -> list[Row]:
    return [M[f"MB-{n:03}"] for n in numbers]


def each(found: list[Row]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("row", found, ids=[str(r) for r in found])


def asked(pdu: bytes) -> Request:
    return Request(FUNCTIONS[pdu[0]], *struct.unpack(">HH", pdu[1:5]))


@each(ids(1, 3, 5, 7, 9))
def test_requests(row: Row) -> None:
    wanted = bytes.fromhex(row.expected)
    made = encode(asked(wanted), 1)
    assert bytes((made.function_code,)) + made.encode() == wanted


def published_request(row: Row) -> Request:
    return asked(bytes.fromhex(row.text.split("=")[1]))


@each([M["MB-011"]])
def test_coils(row: Row) -> None:
    wanted = [int(part.split("=")[1]) for part in row.expected.split()]
    got = items(bytes.fromhex(M["MB-002"].expected), shape(published_request(M["MB-002"])))
    assert got == wanted


@each([M["MB-012"]])
def test_discrete_inputs(row: Row) -> None:
    request = published_request(M["MB-004"])
    got = items(bytes.fromhex(M["MB-004"].expected), shape(request))
    assert not isinstance(got, Refusal)
    for number, state in re.findall(r"(\d+)=(\d)", row.expected):
        assert got[int(number) - 1 - request.address] == int(state)  # MB-018: item X is addressed as X-1


@each(ids(13, 14))
def test_registers(row: Row) -> None:
    frames = M["MB-006" if row.id == "MB-013" else "MB-008"]
    got = items(bytes.fromhex(frames.expected), shape(published_request(frames)))
    assert got == tuple(row.numbers)


@each([M["MB-010"]])
def test_the_exception_reply(row: Row) -> None:
    got = items(bytes.fromhex(row.expected), shape(published_request(row)))
    assert isinstance(got, Refusal)
    assert got.fault is Fault.REFUSED_2


@each(ids(15))
def test_most_bits(row: Row) -> None:
    assert LARGEST["coil"] == LARGEST["discrete"] == row.number


@each(ids(16))
def test_most_registers(row: Row) -> None:
    assert LARGEST["holding"] == LARGEST["input"] == row.number


@each(ids(17))
def test_address_range(row: Row) -> None:
    low, high = (int(n) for n in re.findall(r"\d+", row.expected))
    for address in (low, high):
        assert plan(module({"a": {"function": "holding", "address": address}})).requests[0].address == address
    with pytest.raises(ValueError, match="less than or equal to 65535"):
        module({"a": {"function": "holding", "address": high + 1}})


@each(ids(25))
def test_exceptions_carry_the_function_plus_0x80(row: Row) -> None:
    for name, request in READS.items():
        pdu = bytes((request.function_code + int(row.expected, 16), 4))
        assert items(pdu, shape(Request(name, 0, 1))).fault is Fault.REFUSED_4  # type: ignore[union-attr]


WORDS = {  # how the published meanings are said here
    1: "no such function", 2: "no such register", 3: "not allowed in this form", 4: "the module has failed",
    5: "accepted, answer later", 6: "busy", 8: "memory parity error", 10: "gateway has no path to the module",
    11: "module behind the gateway gave no answer",
}  # fmt: skip


@each(rows("modbus", "exception code meaning"))
def test_every_listed_exception_has_a_name_and_a_fault_of_its_own(row: Row) -> None:
    code = int(row.text.split("=")[1], 16)
    assert MEANINGS[code] == WORDS[code]
    assert refused(code).name == f"REFUSED_{code}"


@each(rows("modbus", "byte count field"))
def test_byte_count_of_bits(row: Row) -> None:
    assert shape(Request("coil", 0, int(row.inputs["quantity"]))).data_bytes == row.number


@each([M["MB-040"], *ids(43, 44, 45, 46, 47, 48, 49)])
def test_checksums(row: Row) -> None:
    if row.id == "MB-040":
        frame = bytes.fromhex(row.text.split("=")[1] + row.expected.split(": ")[1].rstrip(")"))
    else:
        frame = bytes.fromhex(row.expected)
    assert checked(frame)
    assert rtu(frame[0], frame[1:-2]) == frame  # the peers' checksum, written apart, agrees


@each(ids(42))
def test_the_catalogue_check_value(row: Row) -> None:
    assert checked(b"123456789" + int(row.expected, 16).to_bytes(2, "little"))


@each(ids(50))
def test_a_corrupted_frame_is_rejected(row: Row) -> None:
    frame, right = (bytes.fromhex(h) for h in re.findall(r"(?:frame=|is )((?:[0-9A-F]{2} ?)+)", row.text))
    assert not checked(frame)
    assert checked(frame[:-2] + right)


@each(ids(47))
def test_a_published_answer_frame_is_found(row: Row) -> None:
    frame = bytes.fromhex(row.expected)
    assert look(frame, 0x11, shape(Request("holding", 107, 3))).pdu == bytes.fromhex(M["MB-006"].expected)


@each(ids(56))
def test_silence_above_19200(row: Row) -> None:
    assert [1000 * silence(b) for b in (38400, 57600, 115200)] == [row.number] * 3


@each(ids(57))
def test_bits_of_a_character(row: Row) -> None:
    assert row.number == BITS


@each(ids(60, 20))
def test_largest_frame(row: Row) -> None:
    assert row.number == LARGEST_RTU
    assert 5 + shape(Request("input", 0, LARGEST["input"])).data_bytes <= LARGEST_RTU
    assert 5 + shape(Request("coil", 0, LARGEST["coil"])).data_bytes <= LARGEST_RTU


@each(rows("modbus", "character time, t1.5 and t3.5"))
def test_character_and_silence(row: Row) -> None:
    baud = int(row.inputs["baud"])
    character, _, t35 = row.numbers
    assert 1000 * characters(1, baud) == pytest.approx(character, abs=1e-4)
    assert 1000 * silence(baud) == pytest.approx(t35, abs=1e-4)


@each(rows("modbus", "bus time of one register read"))
def test_bus_time(row: Row) -> None:
    baud, count = int(row.inputs["baud"]), int(row.inputs["registers"])
    request, reply = characters(8, baud), characters(5 + shape(Request("input", 0, count)).data_bytes, baud)
    wanted = row.numbers
    assert [1000 * request, 1000 * reply] == pytest.approx(wanted[:2], abs=0.01)
    assert 1000 * (request + reply + 2 * silence(baud)) == pytest.approx(wanted[2], abs=0.01)


@each(ids(80))
def test_registered_port(row: Row) -> None:
    from tests.support.modbus import tcp_link

    assert type(tcp_link(1)).model_fields["port"].default == row.number


@each(ids(86))
def test_tcp_reply(row: Row) -> None:
    used, got = Frames().handleFrame(bytes.fromhex(row.expected), 0xFF, 0x1501)
    assert used == len(bytes.fromhex(row.expected))
    assert got is not None
    assert got.pdu == bytes.fromhex("03 02 00 0A")  # type: ignore[attr-defined]


@each(ids(83, 84))
def test_tcp_replies_to_discard(row: Row) -> None:
    assert row.expected == "discard"
    sound = bytearray.fromhex(M["MB-086"].expected)
    sound[0 if row.id == "MB-083" else 3] ^= 1
    frames = Frames()
    _, got = frames.handleFrame(bytes(sound), 0xFF, 0x1501)
    assert got is None if row.id == "MB-083" else got.pdu == b""  # type: ignore[union-attr]
    assert (frames.late, bool(frames.broken)) == ((1, False) if row.id == "MB-083" else (0, True))


KINDS = {"float32": "f32", "uint32": "u32", "int32": "s32"}
LETTERS = {"ABCD": ("high first", "high first"), "CDAB": ("low first", "high first"),
           "BADC": ("high first", "low first"), "DCBA": ("low first", "low first")}  # fmt: skip


@each([r for r in M.values() if "four word/byte orders" in r.quantity])
def test_word_and_byte_orders(row: Row) -> None:
    kind = KINDS[row.quantity.split()[0]]
    found = re.findall(r"([A-D]{4})=([0-9A-F]{4}) ([0-9A-F]{4})", row.expected)
    assert len(found) == 4
    value = struct.unpack(">f", struct.pack(">f", row.inputs["value"]))[0] if kind == "f32" else row.inputs["value"]
    for letters, *registers in found:
        words, order = LETTERS[letters]
        channel = {"function": "input", "address": 0, "type": kind, "words": words, "bytes": order}
        assert decoder(one(channel).channels["a"])([int(r, 16) for r in registers], 0) == value


@each(rows("modbus", "one register read as signed 16-bit"))
def test_signed(row: Row) -> None:
    register = int(row.text.split("=")[1], 16)
    channel = {"function": "input", "address": 0, "type": "s16"}
    assert decoder(one(channel).channels["a"])([register], 0) == row.number


@each(ids(96))
def test_nan(row: Row) -> None:
    registers = [int(r, 16) for r in re.findall(r"\b[0-9A-F]{4}\b", row.text.split("(")[0])]
    assert len(registers) == REGISTERS["f32"]
    channel = {"function": "input", "address": 0, "type": "f32"}
    assert decoder(one(channel).channels["a"])(registers, 0) is None


def one(channel: dict[str, object]) -> Module:
    return module({"a": channel})
