"""Function 43/14: what a server we did not write says of itself, what comes over every line, and what is no answer."""

from __future__ import annotations

import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from config.model import Link
from drivers.modbus.identify import REQUEST, identify, names, on_ascii, on_rtu, size
from drivers.registry import open_link, plan_reads
from tests.support.modbus import ascii_link, gateway_link, module, rtu_link, tcp_link
from tests.support.modbus_peers import ascii_peer, gateway_peer, rtu_peer, tcp_peer
from tests.support.rawpeer import RawAscii, RawGateway, RawRtu, ascii_frame, rtu
from tests.support.taps import TcpTap

GOOD = bytes((43, 14, 1, 1, 0, 0, 3, 0, 4)) + b"Acme" + bytes((1, 2)) + b"X1" + bytes((2, 3)) + b"1.0"


async def asked(link: Link, unit: int) -> dict[str, str]:
    """What a unit says of itself over a driver of its own."""
    driver = open_link(link)
    try:
        return await identify(driver, unit)
    finally:
        await driver.aclose()


async def test_a_server_tells_its_name_over_tcp() -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    who = ModbusDeviceIdentification(
        info_name={"VendorName": "Quillmarsh Instruments", "ProductCode": "AI8", "MajorMinorRevision": "2.1"}
    )
    server = ModbusTcpServer(
        [SimDevice(id=1, simdata=[SimData(0, values=[0] * 8, datatype=DataType.REGISTERS)], identity=who)],
        address=("127.0.0.1", port),
        identity=who,
    )
    await server.serve_forever(background=True)
    try:
        with TcpTap(port) as tap:
            found = await asked(tcp_link(tap.port), 1)
    finally:
        await server.shutdown()
    assert found == {"vendor": "Quillmarsh Instruments", "product": "AI8", "revision": "2.1"}


@pytest.mark.parametrize("kind", ["libmodbus", "modbus-tk"])
async def test_a_unit_that_does_not_know_the_function_says_nothing(kind: str) -> None:
    with tcp_peer(kind, {}) as tap:
        assert await asked(tcp_link(tap.port, "500 ms"), 1) == {}
    with rtu_peer(kind, {}, unit=7) as line:
        assert await asked(rtu_link(line.host, "500 ms"), 7) == {}
        assert line.requests == 1
    with gateway_peer(kind, {}, unit=7) as (gateway, line):
        assert await asked(gateway_link(gateway.port, "500 ms"), 7) == {}
        assert line.requests == 1


async def test_a_server_in_ascii_mode_is_asked_too() -> None:
    with ascii_peer("pymodbus", {"input": {0: 1}}, unit=7) as line:
        found = await asked(ascii_link(line.host, "2 s"), 7)
    assert set(found) <= {"vendor", "product", "revision"}


LINES = pytest.mark.parametrize("kind", ["rtu", "rtu-over-tcp", "ascii"])


@asynccontextmanager
async def raw(kind: str, folder: Path, reply: Callable[[bytes], list[bytes | None]]) -> AsyncIterator[tuple[Any, Link]]:
    if kind == "rtu-over-tcp":
        async with RawGateway(reply) as gateway:
            yield gateway, gateway_link(gateway.port, "300 ms")
    else:
        async with (RawAscii if kind == "ascii" else RawRtu)(folder, reply) as peer:
            yield peer, (ascii_link if kind == "ascii" else rtu_link)(peer.path, "300 ms")


def frame(kind: str, unit: int, pdu: bytes) -> bytes:
    return ascii_frame(unit, pdu) if kind == "ascii" else rtu(unit, pdu)


@LINES
async def test_a_unit_on_a_line_tells_its_name_between_echo_noise_and_others(tmp_path: Path, kind: str) -> None:
    def reply(request: bytes) -> list[bytes | None]:
        echo = frame(kind, request[0], request[1:-2])
        whole = frame(kind, 7, GOOD)
        return [echo + b"\x00" + frame(kind, 9, GOOD.replace(b"Acme", b"Else")) + whole[:20], whole[20:]]

    async with raw(kind, tmp_path, reply) as (peer, link):
        assert await asked(link, 7) == {"vendor": "Acme", "product": "X1", "revision": "1.0"}
        (request,) = peer.requests
        assert request[1:-2] == REQUEST


@LINES
@pytest.mark.parametrize("damage", ["nobody", "checksum", "half", "refused", "another unit"])
async def test_what_is_no_sound_answer_says_nothing_and_the_line_is_left_quiet(
    tmp_path: Path, kind: str, damage: str
) -> None:
    whole = frame(kind, 7, GOOD)
    spoilt = whole[:-3] + bytes((whole[-3] ^ 1,)) + whole[-2:]
    said = {
        "nobody": [],
        "checksum": [spoilt],
        "half": [whole[:15]],
        "refused": [frame(kind, 7, bytes((0xAB, 1)))],
        "another unit": [frame(kind, 8, GOOD)],
    }[damage]
    async with raw(kind, tmp_path, lambda request: list(said)) as (_, link):
        driver = open_link(link)
        try:
            assert await identify(driver, 7) == {}
            rested = driver.talk.rested(7)  # type: ignore[attr-defined]
            assert (rested > 0) == (damage != "refused")  # its answer may still come
        finally:
            await driver.aclose()


async def test_a_read_after_it_is_answered_on_the_same_connection(tmp_path: Path) -> None:
    def reply(request: bytes) -> list[bytes | None]:
        return [rtu(7, GOOD if request[1] == 43 else bytes((4, 2, 0, 5)))]

    async with RawGateway(reply) as gateway:
        driver = open_link(gateway_link(gateway.port))
        channels = module({"a": {"function": "input", "address": 0}}, unit=7)
        for _ in range(2):
            assert await identify(driver, 7)
            assert (await driver.read(plan_reads(channels))).counts == (5,)
        await driver.aclose()
        assert gateway.connections == 1


async def test_nobody_there_is_no_answer_and_no_exception(tmp_path: Path) -> None:
    assert await asked(tcp_link(1, "200 ms"), 1) == {}
    assert await asked(gateway_link(1, "200 ms"), 1) == {}
    assert await asked(rtu_link("/dev/nowhere", "200 ms"), 1) == {}
    assert await asked(ascii_link("/dev/nowhere", "200 ms"), 1) == {}
    driver = open_link(rtu_link("/dev/nowhere", "200 ms"))
    await driver.aclose()
    assert await identify(driver, 1) == {}


def test_the_request_is_a_constant() -> None:
    assert bytes((0x2B, 0x0E, 0x01, 0x00)) == REQUEST


def test_a_whole_answer_is_read() -> None:
    assert names(GOOD) == {"vendor": "Acme", "product": "X1", "revision": "1.0"}
    assert names(bytes((0xAB, 1))) == {}


@given(st.binary(max_size=40), st.integers(0, len(GOOD)))
def test_whatever_comes_nothing_is_raised_and_names_are_printable(noise: bytes, cut: int) -> None:
    for pdu in (noise, GOOD[:cut] + noise, bytes((43, 14)) + noise):
        assert all(text.isprintable() for text in names(pdu).values())


@given(st.binary(max_size=60), st.binary(max_size=60))
def test_an_answer_is_found_in_any_noise_that_holds_none(before: bytes, behind: bytes) -> None:
    request = rtu(7, REQUEST)
    quiet = before.replace(b"\x07", b"\x06")
    assert on_rtu(quiet + request + rtu(7, GOOD) + behind, 7, request) == GOOD
    assert on_rtu(quiet + request, 7, request) == b""
    asks = ascii_frame(7, REQUEST)
    assert on_ascii(before.replace(b":", b";") + asks + ascii_frame(7, GOOD) + behind, 7, asks) == GOOD


@given(st.integers(0, len(GOOD)))
def test_the_length_of_an_answer_is_known_once_its_lengths_are(cut: int) -> None:
    assert size(GOOD[:cut]) in (0, len(GOOD))
    assert size(GOOD[:cut] + b"\x00" * 20) in (-1, 0, len(GOOD)) or cut < len(GOOD)
    assert size(GOOD) == len(GOOD)
    assert size(bytes((43, 13)) + GOOD) == size(b"\x04") == -1
