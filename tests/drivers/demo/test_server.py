"""The simulated modules on the wire: Modbus as written, over TCP and over RTU on a pseudo-terminal."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
import serial
from pymodbus.client import AsyncModbusTcpClient, ModbusSerialClient

from drivers.demo.modules import CHANNELS
from drivers.demo.recording import COLUMNS, record
from drivers.demo.scenario import DEFAULT_START_MS
from drivers.demo.server import Module, Served, answer, crc, serve
from tests.support import published


class Still:
    """A module whose tables stand still."""

    def __init__(self, bits: list[int] = [], registers: list[int] = []) -> None:  # noqa: B006
        self._bits, self._registers, self.quiet = bits, registers, False

    def bits(self) -> list[int]:
        return self._bits

    def registers(self) -> list[int]:
        return self._registers

    def silent(self) -> bool:
        return self.quiet


def pdu(text: str) -> bytes:
    return bytes.fromhex(text)


@asynccontextmanager
async def served(panel: dict[int, Module], meters: dict[int, Module] | None = None) -> AsyncIterator[Served]:
    s = await serve(panel, meters or {}, port=0)
    try:
        yield s
    finally:
        await s.aclose()


def test_published_examples_of_answers() -> None:
    table = published.table("modbus")
    # MB-003/004: discrete inputs 197..218; MB-007/008: input register 9
    bits = [0] * 196 + [int(b) for byte in (0xAC, 0xDB, 0x35) for b in reversed(f"{byte:08b}")][:22]
    assert answer(pdu(table["MB-003"].expected), Still(bits)) == pdu(table["MB-004"].expected)
    assert answer(pdu(table["MB-007"].expected), Still(registers=[0] * 8 + [10])) == pdu(table["MB-008"].expected)
    # MB-009/010: a coil that is not there: exception 2
    assert answer(pdu(table["MB-009"].expected), Still()) == pdu(table["MB-010"].expected)
    # MB-035: a device with 100 registers takes start 96, quantity 4, and refuses one more (sec. 7)
    hundred = Still(registers=list(range(100)))
    assert answer(pdu("04 00 60 00 04"), hundred) == pdu("04 08 00 60 00 61 00 62 00 63")
    assert answer(pdu("04 00 60 00 05"), hundred) == pdu("84 02")


@pytest.mark.parametrize("row", ["MB-043", "MB-044", "MB-045", "MB-046", "MB-047", "MB-048", "MB-049"])
def test_published_checksums(row: str) -> None:
    frame = pdu(published.table("modbus")[row].expected)
    assert crc(frame[:-2]) == frame[-2:]


@pytest.mark.parametrize(
    ("request_", "code"),
    [
        ("04 00 00 00 00", 3),  # MB-016: 1 to 125 registers
        ("04 00 00 00 7E", 3),
        ("02 00 00 00 00", 3),  # MB-015: 1 to 2000 bits
        ("02 00 00 07 D1", 3),
        ("04 FF FF 00 02", 2),
        ("03 00 00 00 01", 2),
        ("04 00 00", 3),
        ("05 00 00 FF 00", 1),
        ("06 00 00 00 01", 1),
        ("0F 00 00 00 01 01 01", 1),
        ("10 00 00 00 01 02 00 01", 1),
        ("16 00 00 00 00 00 00", 1),
        ("17 00 00 00 01 00 00 00 01 02 00 01", 1),
        ("08 00 00 00 00", 1),
        ("2B 0D 00 00", 1),
        ("2B 0E 09 00", 3),
        ("2B 0E 04 55", 2),
    ],
)
def test_what_is_not_a_good_read_is_refused_by_its_code(request_: str, code: int) -> None:
    m = Still([1] * 8, [7] * 8)
    assert answer(pdu(request_), m) == bytes((pdu(request_)[0] | 0x80, code))
    assert (m.bits(), m.registers()) == ([1] * 8, [7] * 8)


def test_identification_names_the_creamery() -> None:
    got = answer(pdu("2B 0E 01 00"), Still())
    assert got[:7] == pdu("2B 0E 01 81 00 00 03") and got[7:9] == bytes((0, 19)) and got[9:28] == b"Quillmarsh Creamery"
    assert answer(pdu("2B 0E 04 02"), Still())[6:] == bytes((1, 2, 3)) + b"1.0"


async def test_a_client_reads_over_tcp_and_unknown_units_are_the_gateways_business() -> None:
    m = Still([1, 0, 1, 1, 0, 0, 0, 0, 1], [11, 22, 65535])
    async with served({1: m}) as s:
        c = AsyncModbusTcpClient("127.0.0.1", port=s.port, retries=0, timeout=0.3)
        assert await c.connect()
        try:
            assert (await c.read_input_registers(0, count=3, device_id=1)).registers == [11, 22, 65535]
            assert (await c.read_discrete_inputs(0, count=9, device_id=1)).bits[:9] == [bool(b) for b in m.bits()]
            assert (await c.read_input_registers(2, count=2, device_id=1)).exception_code == 2
            assert (await c.read_holding_registers(0, count=1, device_id=1)).exception_code == 2
            assert (await c.read_input_registers(0, count=1, device_id=9)).exception_code == 11
        finally:
            c.close()


async def test_requests_in_pieces_and_several_at_once_are_answered_in_order() -> None:
    async with served({1: Still(registers=[5, 6])}) as s:
        reader, writer = await asyncio.open_connection("127.0.0.1", s.port)
        one, two = pdu("0001 0000 0006 01 04 0000 0001"), pdu("0002 0000 0006 01 04 0001 0001")
        writer.write(one[:5])
        await writer.drain()
        await asyncio.sleep(0.01)
        writer.write(one[5:] + two)
        got = await reader.readexactly(22)
        assert got == pdu("0001 0000 0005 01 04 02 0005 0002 0000 0005 01 04 02 0006")
        writer.write(b"GET / HTTP/1.1\r\n\r\n")  # no Modbus: the connection is closed
        assert await reader.read() == b""
        writer.close()
        await writer.wait_closed()


async def test_a_silent_module_answers_nothing_and_its_neighbour_does() -> None:
    gone, there = Still(registers=[1]), Still(registers=[2])
    gone.quiet = True
    async with served({1: gone, 2: there}) as s:
        reader, writer = await asyncio.open_connection("127.0.0.1", s.port)
        writer.write(pdu("0001 0000 0006 01 04 0000 0001") + pdu("0002 0000 0006 02 04 0000 0001"))
        assert await reader.readexactly(11) == pdu("0002 0000 0005 02 04 02 0002")
        writer.close()
        await writer.wait_closed()


async def test_a_client_reads_over_rtu_on_the_pseudo_terminal_again_and_again() -> None:
    async with served({}, {7: Still([1], [1234, 9])}) as s:

        def poll() -> list[list[int]]:
            out = []
            for _ in range(2):  # a client that closes does not hang up the line
                c = ModbusSerialClient(s.pty, baudrate=19200, parity="N", stopbits=2, timeout=2, retries=0)
                assert c.connect()
                out += [c.read_input_registers(0, count=2, device_id=7).registers for _ in range(3)]
                assert c.read_input_registers(1, count=2, device_id=7).exception_code == 2
                c.close()
            return out

        assert await asyncio.to_thread(poll) == [[1234, 9]] * 6


async def test_rtu_noise_and_foreign_units_are_met_with_silence() -> None:
    good = pdu("07 04 00 00 00 01")
    good += crc(good)
    foreign = pdu("08 04 00 00 00 01")
    foreign += crc(foreign)
    broadcast = pdu("00 06 00 00 00 01")
    broadcast += crc(broadcast)
    unknown = pdu("07 41 05")
    unknown += crc(unknown)

    async with served({}, {7: Still(registers=[3])}) as s:

        def talk() -> list[bytes]:
            heard = []
            with serial.Serial(s.pty, 19200, parity="N", stopbits=2, timeout=0.4) as line:
                for sent in (foreign, broadcast, good[:-1] + b"\x00", b"\xff\x07\x04", good, unknown, good):
                    line.write(sent)
                    heard.append(line.read(7 if sent is good else 5))
            return heard

        answered = pdu("07 04 02 00 03")
        refused = pdu("07 C1 01")
        want = [b"", b"", b"", b"", answered + crc(answered), refused + crc(refused), answered + crc(answered)]
        assert await asyncio.to_thread(talk) == want


def launch(*options: str) -> tuple[subprocess.Popen[bytes], dict[str, float | str]]:
    p = subprocess.Popen(
        [sys.executable, "-P", "-m", "drivers.demo", "--lifeline", *options],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert p.stdout
    return p, json.loads(p.stdout.readline())


async def reads(port: int) -> dict[str, list[int]]:
    c = AsyncModbusTcpClient("127.0.0.1", port=port, retries=0, timeout=3)
    assert await c.connect()
    try:
        return {
            "ai": (await c.read_input_registers(0, count=8, device_id=1)).registers,
            "di": (await c.read_discrete_inputs(0, count=16, device_id=2)).bits[:16],
            "counters": (await c.read_input_registers(0, count=12, device_id=3)).registers,
        }
    finally:
        c.close()


async def test_the_process_serves_the_plant_and_a_restart_in_mid_run_is_the_same_plant() -> None:
    # slow enough that the plant second does not change while both are asked; an hour already gone by
    from drivers.wire_time import now

    speed = 0.001
    origin = now() - 3600.4 / speed
    options = ["--speed", repr(speed), "--origin", repr(origin), "--start", str(DEFAULT_START_MS)]
    recorded = list(record(DEFAULT_START_MS, 1.0, 3600))[-1]
    want = dict(zip(COLUMNS, recorded.counts, strict=True))
    seen = []
    for _ in range(2):
        process, said = launch(*options)
        try:
            seen.append(await reads(int(said["port"])))
            assert str(said["pty"]).startswith("/dev/")
        finally:
            assert process.stdin and process.stdout
            process.stdin.close()  # the parent is gone: it ends by itself
            assert process.wait(10) == 0
            process.stdout.close()
    assert seen[0] == seen[1]
    ai = [p.ref for p in CHANNELS if p.module == "ai"]
    assert seen[0]["ai"] == [want[ref] for ref in ai]
    assert seen[0]["di"] == [bool(want[p.ref]) for p in CHANNELS if p.module == "di"]
    assert seen[0]["counters"][10] == want["counters.softener"]


def test_sigterm_ends_it_and_the_announcement_is_a_whole_file(tmp_path: Path) -> None:
    file = tmp_path / "where.json"
    p = subprocess.Popen(
        [sys.executable, "-P", "-m", "drivers.demo", "--announce", str(file)],
    )
    while not file.exists():
        assert p.poll() is None
    said = json.loads(file.read_text("utf-8"))
    assert said["port"] > 0 and said["speed"] == 60.0 and said["start_ms"] == DEFAULT_START_MS
    p.send_signal(signal.SIGTERM)
    assert p.wait(10) == 0


@pytest.mark.parametrize("wrong", [["--speed", "0"], ["--port", "70000"]])
def test_a_wrong_option_is_refused(wrong: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    from drivers.demo.__main__ import main

    with pytest.raises(SystemExit) as e:
        main(wrong)
    assert e.value.code == 2 and f"found {wrong[1]}" in capsys.readouterr().err
