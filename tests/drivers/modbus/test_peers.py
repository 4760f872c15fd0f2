"""Values served by peers that are not ours equal values read: every type and order, on every transport."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from config.model import Link
from drivers.contract import Fault
from drivers.modbus.timing import silence
from drivers.registry import open_link, plan_reads
from tests.support.modbus import ORDERS, ascii_link, gateway_link, image, module, rtu_link, tcp_link
from tests.support.modbus_peers import ascii_peer, gateway_peer, rtu_peer, tcp_peer
from tests.support.taps import Line, TcpTap

PAIRS = [
    ("libmodbus", "tcp"),
    ("modbus-tk", "tcp"),
    ("pyModbusTCP", "tcp"),
    ("libmodbus", "rtu"),
    ("modbus-tk", "rtu"),
    ("libmodbus", "rtu over tcp"),
    ("modbus-tk", "rtu over tcp"),
    ("pymodbus", "ascii"),
]
VALUES: dict[str, list[float]] = {
    "u16": [0, 1, 4660, 65535],
    "s16": [0, -1, -32768, 32767],
    "u32": [0, 70000, 305419896, 2**32 - 1],
    "s32": [-1, -2, -(2**31), 2**31 - 1],
    "u64": [0, 2**53 + 1, 0x0123456789ABCDEF, 2**64 - 1],
    "f32": [0.0, 2750.0, -1.5, 2.0**-126],
    "f64": [123.456, -1e300, 0.1, 5e-324],
}


def every_type() -> tuple[dict[str, dict[int, int]], dict[str, dict[str, Any]], list[float]]:
    """A register map, the channels that read all of it, and what they must give."""
    tables: dict[str, dict[int, int]] = {"coil": {}, "discrete": {}, "holding": {}, "input": {}}
    channels: dict[str, dict[str, Any]] = {}
    wanted: list[float] = []
    at = {"holding": 3, "input": 0}
    for function in at:
        for kind, values in VALUES.items():
            for words, order in ORDERS:
                for value in values:
                    registers = image(kind, value, words, order)
                    tables[function].update(enumerate(registers, at[function]))
                    channels[f"c{len(channels)}"] = {
                        "function": function, "address": at[function], "type": kind, "words": words, "bytes": order,
                    }  # fmt: skip
                    wanted.append(value)
                    at[function] += len(registers)
        for order in ("high first", "low first"):
            tables[function][at[function]] = image("u16", 0b1010_0000_0000_0110, order=order)[0]
            for bit in range(16):
                channels[f"c{len(channels)}"] = {
                    "function": function, "address": at[function], "type": "bit", "bit": bit, "bytes": order,
                }  # fmt: skip
                wanted.append(int(bit in (1, 2, 13, 15)))
            at[function] += 1
    for function in ("coil", "discrete"):
        for address in (*range(5, 25), 80, 300, 1023):
            tables[function][address] = int(address % 3 == 0)
            channels[f"c{len(channels)}"] = {"function": function, "address": address}
            wanted.append(int(address % 3 == 0))
    return tables, channels, wanted


@contextmanager
def peer(kind: str, transport: str, tables: dict[str, dict[int, int]]) -> Iterator[tuple[TcpTap | Line, Link]]:
    if transport == "tcp":
        with tcp_peer(kind, tables) as tap:
            yield tap, tcp_link(tap.port)
    elif transport == "rtu over tcp":
        with gateway_peer(kind, tables) as (gateway, line):
            yield line, gateway_link(gateway.port)
    elif transport == "ascii":
        with ascii_peer(kind, tables) as line:
            yield line, ascii_link(line.host)
    else:
        with rtu_peer(kind, tables) as line:
            yield line, rtu_link(line.host)


@pytest.mark.parametrize(("kind", "transport"), PAIRS)
async def test_values_served_are_values_read(kind: str, transport: str) -> None:
    tables, channels, wanted = every_type()
    with peer(kind, transport, tables) as (tap, link):
        driver = open_link(link)
        try:
            assert await driver.connect() == ""
            plan = plan_reads(module(channels))
            answer = await driver.read(plan)
            assert (answer.detail, set(answer.faults)) == ("", {Fault.NONE})
            assert list(answer.counts) == wanted
            assert [type(c) for c in answer.counts] == [type(w) for w in wanted]
            assert tap.requests == len(plan.requests)
        finally:
            await driver.aclose()


@pytest.mark.parametrize(("kind", "transport"), PAIRS)
async def test_an_address_the_module_does_not_have_is_refused_and_the_rest_is_read(kind: str, transport: str) -> None:
    channels = {
        "good": {"function": "input", "address": 7},
        "missing": {"function": "input", "address": 2000},
        "bit": {"function": "coil", "address": 1},
    }
    with peer(kind, transport, {"input": {7: 41}, "coil": {1: 1}}) as (_, link):
        driver = open_link(link)
        try:
            answer = await driver.read(plan_reads(module(channels)))
            assert answer.counts == (41, None, 1)
            assert answer.faults == (Fault.NONE, Fault.REFUSED_2, Fault.NONE)
            assert "input 2000: module refused (code 2: no such register)" in answer.detail
        finally:
            await driver.aclose()


@pytest.mark.parametrize("transport", ["tcp", "rtu"])
async def test_a_hole_between_two_channels_costs_neither(transport: str) -> None:
    """1020 and 1023 exist, 1024 does not: a request that reads over the end is asked again without the gap."""
    channels = {
        "last": {"function": "holding", "address": 1023},
        "beyond": {"function": "holding", "address": 1026},
    }
    with peer("libmodbus", transport, {"holding": {1023: 77}}) as (tap, link):
        driver = open_link(link)
        try:
            plan = plan_reads(module(channels))
            for requests in (3, 5):  # the second poll no longer tries the joined one
                answer = await driver.read(plan)
                assert answer.counts == (77, None)
                assert answer.faults == (Fault.NONE, Fault.REFUSED_2)
                assert tap.requests == requests
        finally:
            await driver.aclose()


@pytest.mark.parametrize("transport", ["tcp", "rtu"])
async def test_a_thousand_polls_without_a_wrong_value(transport: str) -> None:
    """Enough requests for the record of `tests/test_zz_wire.py`; the RTU line keeps its silence before each."""
    channels = {f"c{i}": {"function": "input", "address": i} for i in range(16)}
    wanted = tuple(4000 + 7 * i for i in range(16))
    with peer("libmodbus", transport, {"input": dict(enumerate(wanted))}) as (tap, link):
        driver = open_link(link)
        try:
            plan = plan_reads(module(channels))
            for _ in range(1000):
                answer = await driver.read(plan)
                assert answer.counts == wanted, answer.detail
        finally:
            await driver.aclose()
        assert tap.requests == 1000
        if isinstance(tap, Line):
            assert len(tap.silences) == 999
            assert min(tap.silences) >= silence(115200)


@pytest.mark.parametrize("unit", [0, 1, 17, 247, 255])
async def test_any_unit_can_be_asked_over_tcp(unit: int) -> None:
    with tcp_peer("libmodbus", {"input": {0: 9}}) as tap:
        driver = open_link(tcp_link(tap.port))
        try:
            plan = plan_reads(module({"a": {"function": "input", "address": 0}}, unit=unit))
            assert (await driver.read(plan)).counts == (9,)
        finally:
            await driver.aclose()
