"""Modbus RTU against a peer that misbehaves byte by byte: no wrong value ever comes out as good."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path

import pytest

from drivers.contract import Answer, DriverError, Fault, ReadPlan, refused
from drivers.modbus.line import LineDriver
from drivers.modbus.rtu import open_rtu
from drivers.registry import plan_reads
from tests.support.modbus import module, rtu_link
from tests.support.rawpeer import DROP, RawRtu, Reply, rtu, silence

GOOD = bytes((4, 4, 0x0B, 0xB8, 0xFF, 0xFE))
OTHER = bytes((4, 4, 9, 9, 9, 9))
COUNTS = (3000, 65534)
CHANNELS = {"a": {"function": "input", "address": 0}, "b": {"function": "input", "address": 1}}
PLAN = plan_reads(module(CHANNELS, unit=7))
NEIGHBOUR = plan_reads(module(CHANNELS, unit=8, name="next"))
FRAME = rtu(7, GOOD)

Meeting = Callable[..., AbstractAsyncContextManager[tuple[LineDriver, RawRtu]]]


def good(request: bytes) -> list[bytes | None]:
    return [rtu(request[0], GOOD)]


@pytest.fixture
def meeting(tmp_path: Path) -> Meeting:
    @asynccontextmanager
    async def meet(*replies: Reply, timeout: str = "5 s") -> AsyncIterator[tuple[LineDriver, RawRtu]]:
        async with RawRtu(tmp_path, *replies) as peer:
            driver = open_rtu(rtu_link(peer.path, timeout))
            try:
                yield driver, peer
            finally:
                await driver.aclose()

    return meet


def check(answer: Answer, fault: Fault, plan: ReadPlan = PLAN) -> None:
    assert answer.faults == (fault,) * len(plan.picks), answer.detail
    assert answer.counts == (COUNTS if fault is Fault.NONE else (None,) * len(plan.picks))
    assert bool(answer.detail) == (fault is not Fault.NONE)
    assert "\n" not in answer.detail


@pytest.mark.parametrize("code", [*range(1, 12), 0, 12, 0x55, 255])
async def test_an_exception_is_a_refusal_with_its_code(meeting: Meeting, code: int) -> None:
    async with meeting(lambda q: [rtu(7, bytes((0x84, code)))], good) as (driver, _):
        check(await driver.read(PLAN), refused(code))
        check(await driver.read(PLAN), Fault.NONE)


BAD: dict[str, bytes] = {
    "another function": rtu(7, b"\x03" + GOOD[1:]),
    "a writing function": rtu(7, bytes((6, 0, 0, 0, 1))),
    "another unit": rtu(8, GOOD),
    "one register": rtu(7, bytes((4, 2, 0x0B, 0xB8))),
    "three registers": rtu(7, bytes((4, 6, 1, 2, 3, 4, 5, 6))),
    "odd byte count": rtu(7, bytes((4, 3, 1, 2, 3))),
    "byte count says less": rtu(7, bytes((4, 2)) + GOOD[2:]),
    "byte count says more": rtu(7, bytes((4, 6)) + GOOD[2:]),
    "wrong checksum": FRAME[:-1] + bytes((FRAME[-1] ^ 1,)),
    "checksum high byte first": FRAME[:-2] + FRAME[:-3:-1],
    "exception of another function": rtu(7, b"\x83\x02"),
    "half a frame": FRAME[:5],
    "all but a byte": FRAME[:-1],
    "noise": bytes(range(1, 200)),
}


@pytest.mark.parametrize("sent", BAD.values(), ids=BAD.keys())
async def test_an_answer_that_is_not_exactly_as_asked_is_bad(meeting: Meeting, sent: bytes) -> None:
    async with meeting(lambda q: [sent], good, timeout="400 ms") as (driver, _):
        check(await driver.read(PLAN), Fault.BAD_ANSWER)
        check(await driver.read(PLAN), Fault.NONE)


FINE: dict[str, list[bytes | None]] = {
    "byte by byte": [bytes((b,)) for b in FRAME],
    "after noise": [b"\x00\xff\x55", FRAME],
    "after a byte like our unit": [b"\x07", FRAME],
    "after half of itself": [FRAME[:4] + FRAME],
    "before noise": [FRAME + b"\x00\x01\x02"],
    "after a foreign frame": [rtu(8, OTHER) + FRAME],
    "after an answer of another length": [rtu(7, bytes((4, 2, 9, 9))) + FRAME],
    "after the echo of the request": [rtu(7, bytes((4, 0, 0, 0, 2))) + FRAME],
}


@pytest.mark.parametrize("steps", FINE.values(), ids=FINE.keys())
async def test_the_answer_is_found(meeting: Meeting, steps: list[bytes | None]) -> None:
    async with meeting(lambda q: steps) as (driver, _):
        for _ in range(3):
            check(await driver.read(PLAN), Fault.NONE)


async def test_foreign_frames_and_noise_are_counted(meeting: Meeting) -> None:
    async with meeting(lambda q: [b"\xff\xff" + rtu(8, OTHER) + FRAME]) as (driver, _):
        check(await driver.read(PLAN), Fault.NONE)
        assert (driver.counts.foreign, driver.counts.noise, driver.counts.late) == (1, 2, 0)


async def test_silence_is_no_answer_and_the_rest_of_the_plan_is_not_asked(meeting: Meeting) -> None:
    plan = plan_reads(module({**CHANNELS, "c": {"function": "coil", "address": 3}}, unit=7))
    async with meeting(silence, timeout="200 ms") as (driver, peer):
        answer = await driver.read(plan)
        check(answer, Fault.NO_ANSWER, plan)
        assert answer.silent
        assert "no answer within 0.2 s" in answer.detail
        assert len(peer.requests) == 1


async def test_a_late_answer_waiting_in_the_buffer_is_not_the_next_one(meeting: Meeting) -> None:
    async with meeting(silence, good, timeout="400 ms") as (driver, peer):
        check(await driver.read(PLAN), Fault.NO_ANSWER)
        peer.say(rtu(7, OTHER))
        check(await driver.read(PLAN), Fault.NONE)
        assert driver.counts.late == 1


async def test_a_late_answer_during_the_rest_is_not_the_next_one(meeting: Meeting) -> None:
    """After a silence nothing is sent to the module for as long as its answer may still come."""
    async with meeting(silence, good, timeout="1 s") as (driver, peer):
        check(await driver.read(PLAN), Fault.NO_ANSWER)
        reading = asyncio.create_task(driver.read(PLAN))
        await asyncio.sleep(0.1)
        assert len(peer.requests) == 1, "the line was not left quiet"
        peer.say(rtu(7, OTHER))
        check(await reading, Fault.NONE)
        assert driver.counts.late == 1


async def test_a_late_answer_in_the_neighbours_turn_is_not_the_neighbours(meeting: Meeting) -> None:
    def both(request: bytes) -> list[bytes | None]:
        return [rtu(7, OTHER), rtu(request[0], GOOD)]

    async with meeting(silence, both, good, timeout="400 ms") as (driver, _):
        check(await driver.read(PLAN), Fault.NO_ANSWER)
        check(await driver.read(NEIGHBOUR), Fault.NONE)
        assert driver.counts.late == 1
        check(await driver.read(PLAN), Fault.NONE)


async def test_a_silent_unit_does_not_hold_back_its_neighbour(meeting: Meeting) -> None:
    async with meeting(silence, good, timeout="400 ms") as (driver, _):
        check(await driver.read(PLAN), Fault.NO_ANSWER)
        assert driver.talk.rested(7) > 0
        assert driver.talk.rested(8) == 0, "the neighbour waits for a unit that is merely silent"
        check(await driver.read(NEIGHBOUR), Fault.NONE)
        assert driver.talk.rested(7) > 0, "the neighbour's turn ended the rest of the silent unit"


async def test_a_unit_known_to_answer_late_is_waited_for_by_its_neighbours(meeting: Meeting) -> None:
    async with meeting(silence, silence, good, timeout="400 ms") as (driver, peer):
        check(await driver.read(PLAN), Fault.NO_ANSWER)
        peer.say(rtu(7, OTHER))
        check(await driver.read(PLAN), Fault.NO_ANSWER)
        assert driver.talk.rested(8) == driver.talk.rested(7) > 0
        check(await driver.read(NEIGHBOUR), Fault.NONE)


async def test_a_line_that_never_rests_is_bad_and_nothing_is_sent_into_it(meeting: Meeting) -> None:
    async with meeting(good, timeout="200 ms") as (driver, peer):
        talking = asyncio.create_task(_talk(peer))
        try:
            for _ in range(20):  # a busy machine may leave a gap long enough to ask in: then again
                before = len(peer.requests)
                answer = await driver.read(PLAN)
                if answer.faults[0] is not Fault.NONE:
                    break
            check(answer, Fault.BAD_ANSWER)
            assert "the line was not quiet for 0.2 s; nothing was asked" in answer.detail
            assert len(peer.requests) == before
        finally:
            talking.cancel()
            await asyncio.wait((talking,))
        check(await driver.read(PLAN), Fault.NONE)


async def _talk(peer: RawRtu) -> None:
    while True:
        peer.say(b"\x55")
        await asyncio.sleep(0.004)


async def test_a_refused_request_faults_its_own_channels_only(meeting: Meeting) -> None:
    channels = {**CHANNELS, "c": {"function": "coil", "address": 3}, "d": {"function": "holding", "address": 3}}

    def some(request: bytes) -> list[bytes | None]:
        return [rtu(7, {1: b"\x01\x01\x01", 3: b"\x83\x02", 4: GOOD}[request[1]])]

    async with meeting(some) as (driver, _):
        answer = await driver.read(plan_reads(module(channels, unit=7)))
        assert answer.counts == (*COUNTS, 1, None)
        assert answer.faults == (Fault.NONE, Fault.NONE, Fault.NONE, Fault.REFUSED_2)


async def test_a_port_pulled_out_is_link_down_and_comes_back(meeting: Meeting) -> None:
    async with meeting(good, lambda q: [FRAME[:3], DROP], good, timeout="2 s") as (driver, peer):
        check(await driver.read(PLAN), Fault.NONE)
        async with asyncio.timeout(30):
            answer = await driver.read(PLAN)
            check(answer, Fault.LINK_DOWN)
            assert "was lost" in answer.detail
            answer = await driver.read(PLAN)
            check(answer, Fault.LINK_DOWN)
            assert f"{peer.path} is not there. Check that the adapter is plugged in" in answer.detail
            peer.plug()
            while (answer := await driver.read(PLAN)).silent:  # noqa: ASYNC110 - until the driver's own pause is over
                await asyncio.sleep(0.02)
            check(answer, Fault.NONE)


async def test_a_port_in_use_says_so(meeting: Meeting) -> None:
    async with meeting(good) as (driver, peer):
        assert await driver.connect() == ""
        second = open_rtu(rtu_link(peer.path))
        assert "is in use by another program" in await second.connect()
        await second.aclose()


async def test_what_is_no_serial_port_says_so(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("")
    driver = open_rtu(rtu_link(str(file)))
    assert (await driver.connect()).startswith(f"Link loop: {file} ")
    check(await driver.read(PLAN), Fault.LINK_DOWN)
    await driver.aclose()


async def test_closing_ends_a_read_in_flight(meeting: Meeting) -> None:
    async with meeting(silence, timeout="60 s") as (driver, peer):
        reading = asyncio.create_task(driver.read(PLAN))
        await peer.asked()
        async with asyncio.timeout(30):
            await driver.aclose()
            check(await reading, Fault.STOPPING)


async def test_a_cancelled_read_leaves_the_link_usable(meeting: Meeting) -> None:
    async with meeting(silence, good, timeout="300 ms") as (driver, peer):
        reading = asyncio.create_task(driver.read(PLAN))
        await peer.asked()
        reading.cancel()
        await asyncio.wait((reading,))
        check(await driver.read(PLAN), Fault.NONE)


def test_a_link_without_a_device_is_an_error() -> None:
    with pytest.raises(DriverError, match="Link loop: modbus-rtu wants device"):
        open_rtu(rtu_link("/dev/null").model_copy(update={"device": None}))
