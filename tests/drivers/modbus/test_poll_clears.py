"""Faults of registers that reading clears: they tell whether the register may have been read."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from config.model import Link, Module
from drivers.capture import capture_to, captured
from drivers.contract import Answer, Fault
from drivers.modbus.decode import Items
from drivers.modbus.functions import Refusal
from drivers.modbus.plan import plan
from drivers.modbus.poll import ready
from drivers.registry import open_link, plan_reads
from tests.support.modbus import gateway_link, rtu_link, tcp_link
from tests.support.rawpeer import DROP, RawGateway, RawRtu, RawTcp, Reply

CHANNELS = {
    "coil": {"function": "coil", "address": 0},
    "level": {"function": "input", "address": 0},
    "pulses": {"function": "input", "address": 20, "type": "u32"},
    "far": {"function": "input", "address": 90},
}
MODULE = Module.model_validate(
    {"name": "ai", "link": "panel", "channels": CHANNELS, "clear_on_read": ["input 20..21"], "gap": 0}
)
COIL, LEVEL, PULSES, FAR = range(4)


def played(*got: Items | Refusal) -> Answer:
    """A poll in which the requests (coil, input 0, 20..21, 90) get these."""
    steps = ready(plan(MODULE)).steps()
    next(steps)
    try:
        for one in got:
            steps.send(one)
    except StopIteration as end:
        answer: Answer = end.value
        return answer
    raise AssertionError("it asks on")


def faults(*got: Items | Refusal) -> Sequence[Fault]:
    return played(*got).faults


def test_only_the_pulses_are_cleared() -> None:
    made = plan(MODULE)
    assert made.clears == {PULSES}
    assert [(r.address, r.count) for r in made.requests] == [(0, 1), (0, 1), (20, 2), (90, 1)]
    assert played([1], (7,), (0, 3), (9,)).counts == (1, 7, 3, 9)


@pytest.mark.parametrize(
    ("fault", "sent", "told"),
    [
        (Fault.NO_ANSWER, True, Fault.NO_ANSWER),
        (Fault.BAD_ANSWER, True, Fault.BAD_ANSWER),
        (Fault.BAD_ANSWER, False, Fault.NOT_ASKED),  # a line that was never quiet
        (Fault.LINK_DOWN, True, Fault.CUT_OFF),
        (Fault.LINK_DOWN, False, Fault.LINK_DOWN),
        (Fault.STOPPING, True, Fault.CUT_OFF),
        (Fault.STOPPING, False, Fault.STOPPING),
        (Fault.REFUSED_11, True, Fault.REFUSED_11),
    ],
)
def test_what_is_told_when_its_own_request_failed(fault: Fault, sent: bool, told: Fault) -> None:
    assert faults([1], (7,), Refusal(fault, "", skip=True, sent=sent)) == (Fault.NONE, Fault.NONE, told, fault)


def test_after_an_earlier_silence_it_was_not_asked_and_the_module_counts_as_silent() -> None:
    answer = played(Refusal(Fault.NO_ANSWER, "", skip=True))
    assert answer.faults == (Fault.NO_ANSWER, Fault.NO_ANSWER, Fault.NOT_ASKED, Fault.NO_ANSWER)
    assert answer.silent


def test_a_refusal_of_another_request_does_not_touch_it() -> None:
    assert played(Refusal(Fault.REFUSED_1, ""), (7,), (0, 3), (9,)).counts == (None, 7, 3, 9)


ONLY = Module.model_validate(
    {
        "name": "ai",
        "link": "panel",
        "channels": {"pulses": CHANNELS["pulses"], "level": {"function": "input", "address": 22}},
        "clear_on_read": ["input 20..21"],
    }
)


@asynccontextmanager
async def peer(kind: str, folder: Path, reply: Reply) -> AsyncIterator[Link]:
    """A link to a peer that replies so."""
    match kind:
        case "modbus-tcp":
            async with RawTcp(reply) as tcp:
                yield tcp_link(tcp.port, "300 ms")
        case "modbus-rtu-over-tcp":
            async with RawGateway(reply) as gateway:
                yield gateway_link(gateway.port, "300 ms")
        case _:
            async with RawRtu(folder, reply) as port:
                yield rtu_link(port.path, "300 ms")


KINDS = pytest.mark.parametrize("kind", ["modbus-tcp", "modbus-rtu", "modbus-rtu-over-tcp"])


@KINDS
async def test_a_link_lost_while_the_answer_is_awaited_has_cut_it_off_and_later_is_just_down(
    kind: str, tmp_path: Path
) -> None:
    async with peer(kind, tmp_path, lambda request: [DROP]) as link:
        driver = open_link(link, capture_to(tmp_path))
        real = [await driver.read(plan_reads(ONLY, link))]
        gone = link.model_copy(update={"host": "127.0.0.1", "port": 1} if link.host else {"device": "/dev/none"})
        down = open_link(gone)
        assert (await down.read(plan_reads(ONLY, link))).faults == (Fault.LINK_DOWN, Fault.LINK_DOWN)
        await down.aclose()
        await driver.aclose()
    assert real[0].faults == (Fault.CUT_OFF, Fault.LINK_DOWN)
    assert real[0].silent
    played = captured(tmp_path / f"{link.name}.txt", link)
    assert (await played.read(plan_reads(ONLY, link))).faults == real[0].faults


@KINDS
async def test_closing_cuts_off_what_was_asked_and_is_stopping_before(kind: str, tmp_path: Path) -> None:
    asked = asyncio.Event()

    def reply(request: bytes) -> list[bytes | None]:
        asked.set()
        return []

    async with peer(kind, tmp_path, reply) as link:
        driver = open_link(link.model_copy(update={"timeout": 30.0}))
        reading = asyncio.create_task(driver.read(plan_reads(ONLY, link)))
        await asked.wait()
        await driver.aclose()
        assert (await reading).faults == (Fault.CUT_OFF, Fault.STOPPING)
        assert (await driver.read(plan_reads(ONLY, link))).faults == (Fault.STOPPING, Fault.STOPPING)


@KINDS
async def test_no_request_is_sent_a_second_time_for_an_answer_that_did_not_come(kind: str, tmp_path: Path) -> None:
    requests: list[bytes] = []

    def reply(request: bytes) -> list[bytes | None]:
        requests.append(request)
        return []

    async with peer(kind, tmp_path, reply) as link:
        driver = open_link(link)
        for n in (1, 2):
            assert (await driver.read(plan_reads(ONLY, link))).faults == (Fault.NO_ANSWER, Fault.NO_ANSWER)
            assert len(requests) == n
        await driver.aclose()
