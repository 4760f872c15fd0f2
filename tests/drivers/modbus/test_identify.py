"""Function 43/14: what a server we did not write says of itself, over TCP and RTU, and what is no answer."""

from __future__ import annotations

import asyncio
import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.modbus.identify import REQUEST, identify, names
from tests.support.modbus import rtu_link, tcp_link
from tests.support.modbus_peers import rtu_peer, tcp_peer
from tests.support.taps import TcpTap

GOOD = bytes((43, 14, 1, 1, 0, 0, 3, 0, 4)) + b"Acme" + bytes((1, 2)) + b"X1" + bytes((2, 3)) + b"1.0"


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
            found = await asyncio.to_thread(identify, tcp_link(tap.port), 1)
    finally:
        await server.shutdown()
    assert found == {"vendor": "Quillmarsh Instruments", "product": "AI8", "revision": "2.1"}


@pytest.mark.parametrize("kind", ["libmodbus", "modbus-tk"])
def test_a_unit_that_does_not_know_the_function_says_nothing(kind: str) -> None:
    with tcp_peer(kind, {}) as tap:
        assert identify(tcp_link(tap.port, "500 ms"), 1) == {}
    with rtu_peer(kind, {}, unit=7) as line:
        assert identify(rtu_link(line.host, "500 ms"), 7) == {}
        assert line.requests == 1


def test_nobody_there_is_no_answer_and_no_exception() -> None:
    assert identify(tcp_link(1, "200 ms"), 1) == {}
    assert identify(rtu_link("/dev/nowhere", "200 ms"), 1) == {}


def test_the_request_is_a_constant() -> None:
    assert bytes((0x2B, 0x0E, 0x01, 0x00)) == REQUEST


def test_a_whole_answer_is_read() -> None:
    assert names(GOOD) == {"vendor": "Acme", "product": "X1", "revision": "1.0"}
    assert names(bytes((0xAB, 1))) == {}


@given(st.binary(max_size=40), st.integers(0, len(GOOD)))
def test_whatever_comes_nothing_is_raised_and_names_are_printable(noise: bytes, cut: int) -> None:
    for pdu in (noise, GOOD[:cut] + noise, bytes((43, 14)) + noise):
        assert all(text.isprintable() for text in names(pdu).values())
