"""Modbus TCP against a peer that misbehaves byte by byte: no wrong value ever comes out as good."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

import pytest

from drivers.contract import Answer, DriverError, Fault, ReadPlan, refused
from drivers.modbus.tcp import TcpDriver, open_tcp
from drivers.registry import plan_reads
from tests.support.modbus import module, tcp_link
from tests.support.rawpeer import DROP, RawTcp, Reply, adu, silence

GOOD = bytes((4, 4, 0x0B, 0xB8, 0xFF, 0xFE))
COUNTS = (3000, 65534)
CHANNELS = {"a": {"function": "input", "address": 0}, "b": {"function": "input", "address": 1}}
PLAN = plan_reads(module(CHANNELS, unit=7))


def good(request: bytes) -> list[bytes | None]:
    return [adu(request, GOOD)]


@asynccontextmanager
async def meeting(*replies: Reply, timeout: str = "5 s") -> AsyncIterator[tuple[TcpDriver, RawTcp]]:
    async with RawTcp(*replies) as peer:
        driver = open_tcp(tcp_link(peer.port, timeout))
        try:
            yield driver, peer
        finally:
            await driver.aclose()


def check(answer: Answer, fault: Fault, plan: ReadPlan = PLAN) -> None:
    assert answer.faults == (fault,) * len(plan.picks), answer.detail
    assert answer.counts == (COUNTS if fault is Fault.NONE else (None,) * len(plan.picks))
    assert bool(answer.detail) == (fault is not Fault.NONE)
    assert "\n" not in answer.detail


@pytest.mark.parametrize("code", [*range(1, 12), 0, 12, 0x55, 255])
async def test_an_exception_is_a_refusal_with_its_code(code: int) -> None:
    async with meeting(lambda q: [adu(q, bytes((0x84, code)))], good) as (driver, _):
        answer = await driver.read(PLAN)
        check(answer, refused(code))
        assert f"code {code}" in answer.detail
        check(await driver.read(PLAN), Fault.NONE)


BAD: dict[str, Reply] = {
    "another function": lambda q: [adu(q, b"\x03" + GOOD[1:])],
    "a writing function": lambda q: [adu(q, bytes((6, 0, 0, 0, 1)))],
    "another unit": lambda q: [adu(q, GOOD, unit=8)],
    "one register": lambda q: [adu(q, bytes((4, 2, 0x0B, 0xB8)))],
    "three registers": lambda q: [adu(q, bytes((4, 6, 1, 2, 3, 4, 5, 6)))],
    "odd byte count": lambda q: [adu(q, bytes((4, 3, 1, 2, 3)))],
    "byte count says less": lambda q: [adu(q, bytes((4, 2)) + GOOD[2:])],
    "byte count says more": lambda q: [adu(q, bytes((4, 6)) + GOOD[2:])],
    "length says less": lambda q: [adu(q, GOOD, length=5)],
    "length 0": lambda q: [adu(q, GOOD, length=0)],
    "length 1": lambda q: [adu(q, GOOD, length=1)],
    "length 300": lambda q: [adu(q, GOOD, length=300)],
    "exception of another function": lambda q: [adu(q, b"\x83\x02")],
    "exception without a code": lambda q: [adu(q, b"\x84")],
    "exception with more": lambda q: [adu(q, b"\x84\x02\x00")],
    "protocol id not 0 (MB-084)": lambda q: [adu(q, GOOD, protocol=1)],
    "text": lambda q: [b"HTTP/1.1 400 Bad Request\r\n\r\n"],
    "noise": lambda q: [bytes(range(1, 200))],
    "an RTU frame": lambda q: [bytes.fromhex("07 04 04 0b b8 ff fe 00 00")],
}


@pytest.mark.parametrize("reply", BAD.values(), ids=BAD.keys())
async def test_an_answer_that_is_not_exactly_as_asked_is_bad(reply: Reply) -> None:
    async with meeting(reply, good) as (driver, peer):
        check(await driver.read(PLAN), Fault.BAD_ANSWER)
        check(await driver.read(PLAN), Fault.NONE)
        assert peer.connections == 2, "a connection that carried nonsense was kept"


FINE: dict[str, Reply] = {
    "byte by byte": lambda q: [bytes((b,)) for b in adu(q, GOOD)],
    "after a late answer": lambda q: [adu(q, bytes((4, 4, 9, 9, 9, 9)), tid=0x7001), adu(q, GOOD)],
    "with a late answer in one piece (MB-083)": lambda q: [
        adu(q, bytes((4, 4, 9, 9, 9, 9)), tid=0x7001) + adu(q, GOOD)
    ],
    "before another": lambda q: [adu(q, GOOD) + adu(q, bytes((4, 4, 9, 9, 9, 9)))],
    "before noise": lambda q: [adu(q, GOOD) + b"\x00\x01\x02"],
}


@pytest.mark.parametrize("reply", FINE.values(), ids=FINE.keys())
async def test_the_answer_is_found(reply: Reply) -> None:
    async with meeting(reply) as (driver, _):
        for _ in range(3):
            check(await driver.read(PLAN), Fault.NONE)


async def test_noise_between_polls_never_becomes_a_value() -> None:
    async with meeting(good) as (driver, peer):
        for noise in (b"\x00", b"\x00\x01\x00\x00\x00\x07\x07" + bytes((4, 4, 9, 9, 9, 9)), b"noise" * 100):
            check(await driver.read(PLAN), Fault.NONE)
            peer.say(noise)
            await asyncio.sleep(0.05)
            answer = await driver.read(PLAN)
            assert answer.counts in (COUNTS, (None, None))


async def test_silence_is_no_answer_and_the_rest_of_the_plan_is_not_asked() -> None:
    channels = {**CHANNELS, "c": {"function": "coil", "address": 3}, "d": {"function": "holding", "address": 3}}
    plan = plan_reads(module(channels, unit=7))
    async with meeting(silence, timeout="200 ms") as (driver, peer):
        answer = await driver.read(plan)
        check(answer, Fault.NO_ANSWER, plan)
        assert answer.silent
        assert "no answer within 0.2 s" in answer.detail
        assert len(peer.requests) == 1


async def test_a_late_answer_is_not_the_next_one() -> None:
    """The answer to the first request comes just before the answer to the second."""
    first: list[bytes] = []

    def hold(request: bytes) -> list[bytes | None]:
        first.append(request)
        return []

    def both(request: bytes) -> list[bytes | None]:
        return [adu(first[0], bytes((4, 4, 9, 9, 9, 9))), adu(request, GOOD)]

    async with meeting(hold, both, timeout="500 ms") as (driver, _):
        check(await driver.read(PLAN), Fault.NO_ANSWER)
        check(await driver.read(PLAN), Fault.NONE)


async def test_only_a_late_answer_is_no_answer() -> None:
    async with meeting(lambda q: [adu(q, GOOD, tid=0x7001)], timeout="200 ms") as (driver, _):
        check(await driver.read(PLAN), Fault.NO_ANSWER)


async def test_half_of_a_late_answer_between_polls_is_not_the_start_of_the_next() -> None:
    """Its other half is made to look like the whole answer to the next request."""
    first: list[bytes] = []

    def hold(request: bytes) -> list[bytes | None]:
        first.append(request)
        return []

    async with meeting(hold, good, timeout="200 ms") as (driver, peer):
        check(await driver.read(PLAN), Fault.NO_ANSWER)
        after = (int.from_bytes(first[0][:2], "big") + 1).to_bytes(2, "big")
        hidden = adu(first[0], bytes((4, 4, 9, 9, 9, 9)), tid=int.from_bytes(after, "big"))
        late = adu(first[0], bytes((4, len(hidden))) + hidden)
        peer.say(late[: -len(hidden)])
        await asyncio.sleep(0.1)
        reading = asyncio.create_task(driver.read(PLAN))
        with suppress(OSError):
            peer.say(hidden)
        check(await reading, Fault.NONE)
        assert peer.connections == 2, "a connection that held half an answer was kept"


async def test_a_module_that_may_take_long_is_waited_for_without_a_word_on_the_link() -> None:
    plan = plan_reads(module(CHANNELS, unit=7).model_copy(update={"answers_within": 0.2}))
    async with RawTcp(silence) as peer:
        driver = open_tcp(tcp_link(peer.port).model_copy(update={"timeout": None}))
        answer = await driver.read(plan)
        await driver.aclose()
    check(answer, Fault.NO_ANSWER, plan)
    assert "no answer within 0.2 s" in answer.detail


async def test_half_an_answer_is_bad_and_its_other_half_does_no_harm() -> None:
    async with meeting(lambda q: [adu(q, GOOD)[:9]], good, timeout="500 ms") as (driver, peer):
        check(await driver.read(PLAN), Fault.BAD_ANSWER)
        peer.say(b"\xff\xfe")
        check(await driver.read(PLAN), Fault.NONE)


@pytest.mark.parametrize("sent", [b"", b"\x00\x01\x00\x00\x00"])
async def test_a_connection_dropped_under_the_request_is_link_down_at_once(sent: bytes) -> None:
    async with meeting(lambda q: [sent, DROP] if sent else [DROP], good, timeout="60 s") as (driver, _):
        async with asyncio.timeout(30):
            check(await driver.read(PLAN), Fault.LINK_DOWN)
            check(await driver.read(PLAN), Fault.NONE)


async def test_a_refused_request_faults_its_own_channels_only() -> None:
    channels = {**CHANNELS, "c": {"function": "coil", "address": 3}, "d": {"function": "holding", "address": 3}}

    def some(request: bytes) -> list[bytes | None]:
        by_function = {1: b"\x01\x01\x01", 3: b"\x83\x02", 4: GOOD}
        return [adu(request, by_function[request[7]])]

    async with meeting(some) as (driver, _):
        answer = await driver.read(plan_reads(module(channels, unit=7)))
        assert answer.counts == (*COUNTS, 1, None)
        assert answer.faults == (Fault.NONE, Fault.NONE, Fault.NONE, Fault.REFUSED_2)
        assert not answer.silent


async def test_a_garbled_request_faults_its_own_channels_only() -> None:
    channels = {**CHANNELS, "c": {"function": "coil", "address": 3}}

    def some(request: bytes) -> list[bytes | None]:
        return [adu(request, GOOD)] if request[7] == 4 else [b"noise noise noise"]

    async with meeting(some) as (driver, _):
        answer = await driver.read(plan_reads(module(channels, unit=7)))
        assert answer.counts == (*COUNTS, None)
        assert answer.faults == (Fault.NONE, Fault.NONE, Fault.BAD_ANSWER)


async def test_behind_a_gateway_without_the_module_the_rest_is_not_asked() -> None:
    plan = plan_reads(module({**CHANNELS, "c": {"function": "holding", "address": 3}}, unit=7))
    async with meeting(lambda q: [adu(q, bytes((q[7] | 0x80, 11)))]) as (driver, peer):
        check(await driver.read(plan), Fault.REFUSED_11, plan)
        assert len(peer.requests) == 1


@pytest.mark.parametrize("asked", [0, 255])
@pytest.mark.parametrize("answers_as", [0, 255])
async def test_the_device_itself_may_answer_as_unit_0_or_255(asked: int, answers_as: int) -> None:
    """MB-082: 0xFF, 0 is also accepted."""
    plan = plan_reads(module(CHANNELS, unit=asked))
    async with meeting(lambda q: [adu(q, GOOD, unit=answers_as)]) as (driver, peer):
        check(await driver.read(plan), Fault.NONE)
        assert peer.requests[0][6] == asked


async def test_a_request_is_the_frame_of_the_specification() -> None:
    """MB-081 and MB-086: read register 5 of unit 0xFF, and its answer (transaction ids are ours)."""
    plan = plan_reads(module({"a": {"function": "holding", "address": 4}}, unit=255))
    async with meeting(lambda q: [q[:2] + bytes.fromhex("00 00 00 05 FF 03 02 00 0A")]) as (driver, peer):
        assert (await driver.read(plan)).counts == (10,)
        assert peer.requests[0][2:] == bytes.fromhex("00 00 00 06 FF 03 00 04 00 01")


async def test_a_closed_port_says_what_to_do_and_comes_back() -> None:
    async with RawTcp(good) as peer:
        port = peer.port
    driver = open_tcp(tcp_link(port))
    said = await driver.connect()
    assert said.startswith(f"Link panel: 127.0.0.1:{port} refuses the connection. Check the port")
    answer = await driver.read(PLAN)
    check(answer, Fault.LINK_DOWN)
    assert answer.silent
    back = RawTcp(good)
    back.port = port
    async with back:
        while (answer := await driver.read(PLAN)).silent:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
        check(answer, Fault.NONE)
        await driver.aclose()


async def test_a_host_without_a_name_says_so() -> None:
    driver = open_tcp(tcp_link(502).model_copy(update={"host": "nowhere.invalid"}))
    assert "nowhere.invalid:502 cannot be reached" in await driver.connect()
    await driver.aclose()


async def test_closing_ends_a_read_in_flight() -> None:
    async with meeting(silence, timeout="60 s") as (driver, peer):
        reading = asyncio.create_task(driver.read(PLAN))
        await peer.asked()
        await driver.aclose()
        async with asyncio.timeout(30):
            check(await reading, Fault.STOPPING)


async def test_a_cancelled_read_leaves_the_link_usable() -> None:
    async with meeting(silence, good, timeout="30 s") as (driver, peer):
        reading = asyncio.create_task(driver.read(PLAN))
        await peer.asked()
        reading.cancel()
        await asyncio.wait((reading,))
        check(await driver.read(PLAN), Fault.NONE)


def test_a_link_without_a_host_is_an_error() -> None:
    with pytest.raises(DriverError, match="Link panel: modbus-tcp wants host"):
        open_tcp(tcp_link(502).model_copy(update={"host": None}))
