"""Time on the wire and how long an answer is waited for, by published rows of tests/reference/modbus.csv."""

from __future__ import annotations

import pytest

from config.model import Link, Module
from drivers.contract import Request
from drivers.modbus.cost import THINKS_S, wire_s
from drivers.modbus.plan import plan
from drivers.modbus.timing import (
    ASCII_BITS,
    LUMP_S,
    answer_timeout,
    ascii_characters,
    characters,
    frames_s,
    silence,
    worst_answer,
)
from tests.support.modbus import module
from tests.support.published import Row, rows, table

M = table("modbus")
ONE = module({"a": {"function": "input", "address": 0}})


def link(kind: str, baud: int = 19200, **more: str) -> Link:
    return Link.model_validate({"name": "l", "kind": kind, "baud": baud, **more})


def slow(answers_within: str) -> Module:
    return Module.model_validate(ONE.model_dump() | {"answers_within": answers_within})


@pytest.mark.parametrize("row", rows("modbus", "character time, t1.5 and t3.5"), ids=str)
def test_characters_and_silences(row: Row) -> None:
    """MB-070 to 073."""
    baud = int(row.inputs["baud"])
    assert 1000 * characters(1, baud) == pytest.approx(row.numbers[0], abs=1e-4)
    assert 1000 * silence(baud) == pytest.approx(row.numbers[2], abs=1e-4)


@pytest.mark.parametrize("row", rows("modbus", "bus time of one register read"), ids=str)
@pytest.mark.parametrize("kind", ["modbus-rtu", "modbus-rtu-over-tcp"])
def test_a_read_takes_the_line_and_is_waited_for_that_long_and_the_modules_time(row: Row, kind: str) -> None:
    """MB-074 to 076: the published bus time, to which planner and timeout add the module's own."""
    line = link(kind, int(row.inputs["baud"]))
    request, bus = Request("input", 0, int(row.inputs["registers"])), row.numbers[2] / 1000
    assert frames_s(line, request) == pytest.approx(bus, abs=1e-5)
    assert wire_s(line, ONE, request) - THINKS_S == pytest.approx(bus, abs=1e-5 if kind == "modbus-rtu" else 1.2e-3)
    assert answer_timeout(line, ONE, request) == pytest.approx(bus + 1 + LUMP_S, abs=1e-5)
    assert answer_timeout(line, slow("250 ms"), request) == pytest.approx(bus + 0.25 + LUMP_S, abs=1e-5)


def test_ascii_counts_ten_bits_and_two_characters_a_byte() -> None:
    """MB-058 and MB-061: the largest RTU frame of 256 bytes is one of 513 characters in ASCII."""
    assert M["MB-058"].number == ASCII_BITS
    assert ascii_characters(256, 9600) * 9600 / ASCII_BITS == M["MB-061"].number
    line = link("modbus-ascii", 9600)
    # :UUFFAAAACCCCLL CR LF, then :UUFFBBDDDD..LL CR LF
    assert frames_s(line, Request("input", 0, 8)) == pytest.approx((17 + 11 + 32) * 10 / 9600)


def test_the_wait_is_the_links_if_it_says_so_else_the_modules_else_a_second() -> None:
    """MB-065: 1 s to several is typical at 9600 bit/s."""
    line = link("modbus-rtu")
    assert worst_answer(line, ONE) == line.timeout_s == 1.0
    assert worst_answer(line, slow("3 s")) == 3.0
    strict = link("modbus-rtu", timeout="2 s")
    assert (worst_answer(strict, slow("3 s")), worst_answer(strict, ONE), strict.timeout_s) == (2.0, 2.0, 2.0)
    low, _, high = M["MB-065"].expected.partition(" to ")
    assert (low, high) == ("1", "several")
    # a driver has the plan, not the module
    assert worst_answer(line, plan(slow("3 s"), line)) == 3.0


def test_over_tcp_only_the_module_is_waited_for() -> None:
    for count in (1, 125):
        request = Request("holding", 0, count)
        assert answer_timeout(link("modbus-tcp"), slow("100 ms"), request) == pytest.approx(0.1 + LUMP_S)
    assert wire_s(link("modbus-tcp"), ONE, Request("input", 0, 125)) < 0.01


def test_a_slow_line_is_waited_for_longer() -> None:
    whole = Request("holding", 0, 125)
    waits = [answer_timeout(link("modbus-rtu", baud), ONE, whole) for baud in (300, 1200, 9600, 19200, 115200)]
    assert waits == sorted(waits, reverse=True)
    assert waits[0] > 10  # 263 characters of 11 bits at 300 bit/s take 9.6 s


def test_a_pause_of_the_link_is_a_cost_of_each_request() -> None:
    one = Request("input", 0, 1)
    for kind in ("modbus-rtu", "modbus-tcp", "modbus-ascii"):
        more = wire_s(link(kind, pause="50 ms"), ONE, one) - wire_s(link(kind), ONE, one)
        assert more == pytest.approx(0.05)
