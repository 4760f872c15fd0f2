"""What every driver promises, on every driver: counts or a reason, no exception for a bad bus, no write."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from config.model import Link
from drivers.contract import Answer, Driver, DriverError, Fault, Identifies, ReadPlan
from drivers.registry import KINDS, open_link, plan_reads
from drivers.script import ScriptedDriver
from tests.support.modbus import ascii_link, gateway_link, module, rtu_link, tcp_link
from tests.support.rawpeer import RawAscii, RawGateway, RawRtu, RawTcp, adu, ascii_frame, rtu
from tests.support.rawtext import RawText, text_link, text_module

CHANNELS = {
    "level": {"function": "input", "address": 0},
    "missing": {"function": "holding", "address": 9},
    "contact": {"function": "coil", "address": 3},
    "broken": {"function": "input", "address": 1, "type": "f32"},
}
PLAN = plan_reads(module(CHANNELS, unit=7))
SECOND = plan_reads(module(CHANNELS, 7, "second"))
COUNTS = (3000, None, 1, None)
FAULTS = (Fault.NONE, Fault.REFUSED_2, Fault.NONE, Fault.NOT_A_NUMBER)
PDUS = {1: b"\x01\x01\x01", 3: b"\x83\x02", 4: bytes((4, 6, 0x0B, 0xB8, 0x7F, 0xC0, 0, 0))}


@dataclass
class Stage:
    """A driver and what lies at its other end. `asked`: how many requests came there so far."""

    driver: Driver
    asked: Callable[[], int]
    counts: tuple[int | float | None, ...] = COUNTS
    faults: tuple[Fault, ...] = FAULTS
    plan: ReadPlan = PLAN
    second: ReadPlan = SECOND


Play = Callable[[Path, bool], AbstractAsyncContextManager[Stage]]


@asynccontextmanager
async def over_tcp(folder: Path, mute: bool) -> AsyncIterator[Stage]:
    async with RawTcp(lambda q: [] if mute else [adu(q, PDUS[q[7]])]) as peer:
        driver = open_link(tcp_link(peer.port, "60 s" if mute else "5 s"))
        yield Stage(driver, lambda: len(peer.requests))
        await driver.aclose()


@asynccontextmanager
async def over_rtu(folder: Path, mute: bool) -> AsyncIterator[Stage]:
    async with RawRtu(folder, lambda q: [] if mute else [rtu(7, PDUS[q[1]])]) as peer:
        driver = open_link(rtu_link(peer.path, "60 s" if mute else "5 s"))
        yield Stage(driver, lambda: len(peer.requests))
        await driver.aclose()


@asynccontextmanager
async def over_ascii(folder: Path, mute: bool) -> AsyncIterator[Stage]:
    async with RawAscii(folder, lambda q: [] if mute else [ascii_frame(7, PDUS[q[1]])]) as peer:
        driver = open_link(ascii_link(peer.path, "60 s" if mute else "5 s"))
        yield Stage(driver, lambda: len(peer.requests))
        await driver.aclose()


@asynccontextmanager
async def over_gateway(folder: Path, mute: bool) -> AsyncIterator[Stage]:
    async with RawGateway(lambda q: [] if mute else [rtu(7, PDUS[q[1]])]) as peer:
        driver = open_link(gateway_link(peer.port, "60 s" if mute else "5 s"))
        yield Stage(driver, lambda: len(peer.requests))
        await driver.aclose()


FIELDS = {name: {"field": name} for name in ("level", "missing", "contact", "broken")}
PATTERN = r"L=(?P<level>\S+)( M=(?P<missing>\S+))? C=(?P<contact>\S+) B=(?P<broken>\S+)"


@asynccontextmanager
async def over_text(folder: Path, mute: bool) -> AsyncIterator[Stage]:
    async with RawText(folder, b"R\r", lambda q: [] if mute else [b"L=3000 C=1 B=ERR\r\n"]) as peer:
        driver = open_link(text_link(device=peer.path, timeout="60 s" if mute else "5 s"))
        faults = (Fault.NONE, Fault.NOT_AVAILABLE, Fault.NONE, Fault.NOT_A_NUMBER)
        plan, second = (plan_reads(text_module(PATTERN, FIELDS, n, prompt="R\r")) for n in ("ai", "second"))
        yield Stage(driver, lambda: len(peer.requests), faults=faults, plan=plan, second=second)
        await driver.aclose()


@asynccontextmanager
async def scripted(folder: Path, mute: bool) -> AsyncIterator[Stage]:
    never = asyncio.Event()
    line = (3000, Fault.REFUSED_2, 1, Fault.NOT_A_NUMBER)
    driver = ScriptedDriver([line], delay=(lambda plan: never.wait()) if mute else None)
    yield Stage(driver, lambda: len(driver.asked))
    await driver.aclose()


PLAYS: dict[str, Play] = {
    "modbus-tcp": over_tcp,
    "modbus-rtu": over_rtu,
    "modbus-rtu-over-tcp": over_gateway,
    "modbus-ascii": over_ascii,
    "text": over_text,
    "script": scripted,
}
every = pytest.mark.parametrize("play", PLAYS.values(), ids=PLAYS.keys())
IDENTIFYING = {kind for kind in KINDS if kind.startswith("modbus")}

UNREACHABLE = {
    "modbus-tcp": lambda folder: open_link(tcp_link(1)),
    "modbus-rtu": lambda folder: open_link(rtu_link(str(folder / "none"))),
    "modbus-rtu-over-tcp": lambda folder: open_link(gateway_link(1)),
    "modbus-ascii": lambda folder: open_link(ascii_link(str(folder / "none"))),
    "text": lambda folder: open_link(text_link(device=str(folder / "none"))),
    "script": lambda folder: ScriptedDriver([Fault.LINK_DOWN], down="Link loop: nothing there. Look at the script."),
}


def whole(answer: Answer) -> None:
    assert len(answer.counts) == len(answer.faults) == len(PLAN.picks)
    assert [c is None for c in answer.counts] == [f is not Fault.NONE for f in answer.faults]
    assert "\n" not in answer.detail


def test_every_kind_of_link_is_on_this_stage() -> None:
    assert KINDS.keys() <= PLAYS.keys() == UNREACHABLE.keys()


@every
async def test_counts_or_a_reason_for_each_channel_in_the_order_of_the_plan(play: Play, tmp_path: Path) -> None:
    async with play(tmp_path, False) as stage:
        assert await stage.driver.connect() == ""
        for _ in range(3):
            answer = await stage.driver.read(stage.plan)
            whole(answer)
            assert (answer.counts, answer.faults) == (stage.counts, stage.faults)
            assert not answer.silent


@every
async def test_a_read_needs_no_connect_before(play: Play, tmp_path: Path) -> None:
    async with play(tmp_path, False) as stage:
        assert (await stage.driver.read(stage.plan)).counts == stage.counts


@every
async def test_modules_share_a_link_in_turn(play: Play, tmp_path: Path) -> None:
    async with play(tmp_path, False) as stage:
        for plan in (stage.plan, stage.second, stage.plan):
            assert (await stage.driver.read(plan)).counts == stage.counts


@every
async def test_closing_ends_a_read_in_flight_and_nothing_is_asked_after(play: Play, tmp_path: Path) -> None:
    async with play(tmp_path, True) as stage, asyncio.timeout(30):
        reading = asyncio.create_task(stage.driver.read(stage.plan))
        while not stage.asked():  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        await stage.driver.aclose()
        await stage.driver.aclose()
        for answer in (await reading, await stage.driver.read(stage.plan)):
            whole(answer)
            assert set(answer.faults) == {Fault.STOPPING}
        assert await stage.driver.connect() != ""
        assert stage.asked() == 1


@pytest.mark.parametrize("kind", UNREACHABLE)
async def test_a_link_that_is_not_there_is_a_sentence_and_a_fault(kind: str, tmp_path: Path) -> None:
    driver: Driver = UNREACHABLE[kind](tmp_path)
    said = await driver.connect()
    assert said.startswith("Link ")
    assert said.endswith(".")
    answer = await driver.read(plan_reads(text_module(PATTERN, FIELDS)) if kind == "text" else PLAN)
    whole(answer)
    assert set(answer.faults) == {Fault.LINK_DOWN}
    assert answer.silent
    await driver.aclose()


@pytest.mark.parametrize("kind", UNREACHABLE)
async def test_closing_what_was_never_open_is_nothing(kind: str, tmp_path: Path) -> None:
    await UNREACHABLE[kind](tmp_path).aclose()


@pytest.mark.parametrize("kind", UNREACHABLE)
async def test_a_driver_can_do_no_more_than_connect_read_and_close(kind: str, tmp_path: Path) -> None:
    driver = UNREACHABLE[kind](tmp_path)
    able = {name for name in dir(driver) if not name.startswith("_") and callable(getattr(driver, name))}
    named = {"identify"} if kind in IDENTIFYING else set()  # who a unit says it is (43/14) is a read too
    assert able == {"connect", "read", "aclose"} | named
    assert isinstance(driver, Identifies) == (kind in IDENTIFYING)
    await driver.aclose()


def test_a_kind_without_a_driver_is_an_error_that_names_those_with_one() -> None:
    link = Link.model_validate({"name": "x", "kind": "text", "host": "h"}).model_copy(update={"kind": "smoke"})
    with pytest.raises(DriverError, match=r"Link x: no driver for smoke yet\. Served: modbus-tcp, modbus-rtu"):
        open_link(link)
