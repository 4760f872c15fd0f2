"""Text instruments on real pseudo-terminals and sockets: what a poll takes, what it refuses, what is ever sent."""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from drivers.contract import Answer, DriverError, Fault
from drivers.modbus.ascii import outward
from drivers.registry import open_link, plan_reads
from drivers.text import TextDriver, TextPlan, Trouble, open_text, plan, read_once
from tests.support import wire
from tests.support.modbus import module
from tests.support.rawpeer import DROP, silence
from tests.support.rawtext import RawText, RawTextServer, text_link, text_module

PATTERN = r"COND=(?P<cond>[-+0-9.]+) uS T=(?P<temp>\S+) C"
FIELDS = {"cond": {"field": "cond"}, "temp": {"field": "temp"}}


def line(cond: float, end: bytes = b"\r\n") -> bytes:
    return b"COND=%.1f uS T=25.0 C" % cond + end


def poll(every: str = "10 s", **more: Any) -> TextPlan:
    return plan(text_module(PATTERN, FIELDS, every=every, **more))


async def first(driver: TextDriver, peer: RawText | RawTextServer, how: TextPlan, *said: bytes) -> Answer:
    """The first poll of one that prints by itself; what is said comes while it listens, half a line before it."""
    reading = asyncio.create_task(driver.read(how))
    await listening(driver)
    for data in (b"half a line\r\n", *said):
        peer.say(data)
    return await reading


async def listening(driver: TextDriver) -> None:
    while driver._cutter is None:  # noqa: ASYNC110
        await asyncio.sleep(0.005)


async def until(true: Callable[[], object]) -> None:
    async with asyncio.timeout(30):
        while not true():  # noqa: ASYNC110
            await asyncio.sleep(0.005)


async def test_one_that_prints_by_itself_gives_its_newest_line_once(tmp_path: Path) -> None:
    async with RawText(tmp_path) as peer:
        driver, how = open_text(text_link(device=peer.path, timeout="300 ms")), poll()
        assert (await first(driver, peer, how, line(1))).counts == (1.0, 25.0)
        peer.say(line(2) + line(3) + line(4) + b"COND=5")
        await until(lambda: driver._newest is not None and driver._cutter is not None and driver._cutter.half == 6)
        assert (await driver.read(how)).counts == (4.0, 25.0)
        silent = await driver.read(how)  # no line is used twice, and half a one not at all
        assert silent.faults == (Fault.NO_ANSWER,) * 2
        assert silent.detail == "module meter: 6 characters and no end of a line within 0.3 s"
        peer.say(b".5 uS T=25.0 C\r\n")
        assert (await driver.read(how)).counts == (5.5, 25.0)
        await driver.aclose()


async def test_of_lines_that_came_one_by_one_the_last_is_taken(tmp_path: Path) -> None:
    async with RawText(tmp_path) as peer:
        driver, how = open_text(text_link(device=peer.path)), poll()
        await first(driver, peer, how, line(1))
        for cond in (2, 3, 4):
            came = driver._heard_at
            peer.say(line(cond))
            await until(lambda came=came: driver._heard_at > came)  # type: ignore[misc]
        assert (await driver.read(how)).counts == (4.0, 25.0)
        await driver.aclose()


async def test_a_poll_waits_for_a_line_where_none_has_come(tmp_path: Path) -> None:
    async with RawText(tmp_path) as peer:
        driver, how = open_text(text_link(device=peer.path, timeout="30 s")), poll()
        await first(driver, peer, how, line(1))
        reading = asyncio.create_task(driver.read(how))
        await asyncio.sleep(0.05)
        assert not reading.done()
        peer.say(line(2))
        assert (await reading).counts == (2.0, 25.0)
        await driver.aclose()


async def test_half_a_line_at_connect_is_no_line(tmp_path: Path) -> None:
    """`34 uS` of `COND=1234 uS`: with a pattern loose enough it would be a sound number."""
    loose = plan(text_module(r"(?:COND=)?(?P<cond>[0-9.]+).*", {"cond": {"field": "cond"}}))
    async with RawText(tmp_path) as peer:
        driver = open_text(text_link(device=peer.path, timeout="300 ms"))
        reading = asyncio.create_task(driver.read(loose))
        await listening(driver)
        peer.say(b"34 uS\r\n")
        assert (await reading).faults == (Fault.NO_ANSWER,)
        await driver.aclose()


async def test_a_line_of_three_intervals_ago_says_nothing(tmp_path: Path) -> None:
    async with RawText(tmp_path) as peer:
        driver, how = open_text(text_link(device=peer.path, timeout="300 ms")), poll(every="100 ms")
        await first(driver, peer, how, line(1))
        peer.say(line(2))
        await until(lambda: driver._newest is not None)
        await asyncio.sleep(0.4)
        assert (await driver.read(how)).faults == (Fault.NO_ANSWER,) * 2
        await driver.aclose()


@pytest.mark.parametrize(
    ("said", "fault", "why"),
    [
        (b"COND=1.0 uS T=2\r\n", Fault.BAD_ANSWER, "does not fit the pattern"),
        (b"\x00\x01\xfe\xff\x80\r\n", Fault.BAD_ANSWER, "control characters"),
        (b"x" * 300 + b"\r\n", Fault.BAD_ANSWER, "a line of more than 256 characters"),
        (bytes(range(256)) * 20, Fault.BAD_ANSWER, "module meter:"),
        (line(1) + b"garbage\r\n", Fault.BAD_ANSWER, "'garbage'"),  # the newest counts, not the newest that fits
    ],
)
async def test_a_bad_line_is_a_reason(said: bytes, fault: Fault, why: str, tmp_path: Path) -> None:
    async with RawText(tmp_path) as peer:
        driver, how = open_text(text_link(device=peer.path)), poll()
        answer = await first(driver, peer, how, said)
        assert answer.faults == (fault,) * 2
        assert why in answer.detail
        peer.say(b"\r\n" + line(7))
        await until(lambda: driver._newest is not None and driver._newest[0] == line(7)[:-2])
        assert (await driver.read(how)).counts == (7.0, 25.0)
        await driver.aclose()


async def test_not_a_number_is_said_of_its_field_alone(tmp_path: Path) -> None:
    async with RawText(tmp_path) as peer:
        driver = open_text(text_link(device=peer.path))
        answer = await first(driver, peer, poll(), b"COND=1.0 uS T=NaN C\r\n")
        assert (answer.counts, answer.faults) == ((1.0, None), (Fault.NONE, Fault.NOT_A_NUMBER))
        assert not answer.silent
        await driver.aclose()


# ------------------------------------------------------------------ on a prompt


async def test_a_prompted_one_is_asked_once_a_poll_and_its_first_line_is_the_answer(tmp_path: Path) -> None:
    async with RawText(tmp_path, b"R\r", lambda q: [line(3)[:9], line(3)[9:] + line(9)]) as peer:
        driver, how = open_text(text_link(device=peer.path)), poll(prompt="R\r")
        for _ in range(3):
            assert (await driver.read(how)).counts == (3.0, 25.0)
        assert peer.requests == [b"R\r"] * 3
        await driver.aclose()


async def test_an_echo_of_the_prompt_is_no_answer(tmp_path: Path) -> None:
    async with RawText(tmp_path, b"R\r", lambda q: [b"R\r\n", line(3)]) as peer:
        driver, how = open_text(text_link(device=peer.path)), poll(prompt="R\r")
        assert (await driver.read(how)).counts == (3.0, 25.0)
        await driver.aclose()


async def test_silence_and_half_a_line_after_a_prompt(tmp_path: Path) -> None:
    async with RawText(tmp_path, b"R\r", silence, lambda q: [b"COND=1"], lambda q: [line(4)]) as peer:
        driver, how = open_text(text_link(device=peer.path, timeout="200 ms")), poll(prompt="R\r")
        mute = await driver.read(how)
        assert (mute.faults[0], mute.detail) == (Fault.NO_ANSWER, "module meter: no line within 0.2 s")
        half = await driver.read(how)
        assert (half.faults[0], half.detail[:29]) == (Fault.BAD_ANSWER, "module meter: 6 characters an")
        assert (await driver.read(how)).counts == (4.0, 25.0)
        await driver.aclose()


async def test_a_late_answer_is_never_that_of_the_next_prompt(tmp_path: Path) -> None:
    """The next prompt waits as long again; what comes until then is thrown away, whoever it is asked of."""
    async with RawText(tmp_path, b"R\r", silence, lambda q: [line(2)]) as peer:
        driver, how = open_text(text_link(device=peer.path, timeout="300 ms")), poll(prompt="R\r")
        assert (await driver.read(how)).faults[0] is Fault.NO_ANSWER
        reading = asyncio.create_task(driver.read(how))
        await asyncio.sleep(0.05)
        assert len(peer.requests) == 1
        peer.say(line(1))  # late
        assert (await reading).counts == (2.0, 25.0)
        await driver.aclose()


async def test_one_that_never_rests_is_not_prompted(tmp_path: Path) -> None:
    async with RawText(tmp_path, b"R\r", silence) as peer:

        async def chatter() -> None:
            while True:
                peer.say(line(1))
                await asyncio.sleep(0.01)

        talking = asyncio.create_task(chatter())
        driver, how = open_text(text_link(device=peer.path, timeout="200 ms")), poll(prompt="R\r")
        answer = await driver.read(how)
        assert (answer.faults[0], "prints by itself" in answer.detail) == (Fault.BAD_ANSWER, True)
        assert peer.requests == []
        talking.cancel()
        await driver.aclose()


async def test_nothing_is_ever_sent_to_one_that_prints_by_itself(tmp_path: Path) -> None:
    before = len([s for s in wire.sent() if s.transport == "text"])
    async with RawText(tmp_path) as peer:
        driver = open_text(text_link(device=peer.path, timeout="200 ms"))
        await first(driver, peer, poll(), line(1))
        await driver.read(poll())
        await driver.read(plan_reads(module({"a": {"function": "input", "address": 0}})))  # registers of another
        await driver.aclose()
    assert len([s for s in wire.sent() if s.transport == "text"]) == before


# ------------------------------------------------------------------ the link


async def test_a_port_that_goes_and_comes_back(tmp_path: Path) -> None:
    async with RawText(tmp_path) as peer:
        driver, how = open_text(text_link(device=peer.path, timeout="200 ms")), poll()
        await first(driver, peer, how, line(1))
        peer.unplug()
        gone = await driver.read(how)
        assert set(gone.faults) == {Fault.LINK_DOWN}
        assert "ttyRAW" in gone.detail
        assert set((await driver.read(how)).faults) == {Fault.LINK_DOWN}
        peer.plug()
        assert await driver.connect() == ""
        assert (await first(driver, peer, how, line(2))).counts == (2.0, 25.0)
        await driver.aclose()


async def test_behind_a_serial_server_it_is_the_same() -> None:
    async with RawTextServer(b"", silence) as peer:
        driver, how = open_text(text_link(port=peer.port)), poll()
        assert (await first(driver, peer, how, line(1))).counts == (1.0, 25.0)
        await peer.unplug()
        await until(lambda: driver._wire is None)  # heard while nobody polls
        assert set((await driver.read(how)).faults) == {Fault.LINK_DOWN}
        await peer.plug()
        assert await driver.connect() == ""
        assert (await first(driver, peer, how, line(2))).counts == (2.0, 25.0)
        await driver.aclose()


async def test_a_prompted_one_behind_a_serial_server_that_hangs_up() -> None:
    async with RawTextServer(b"R\r", lambda q: [DROP], lambda q: [line(5)]) as peer:
        driver, how = open_text(text_link(port=peer.port, timeout="300 ms")), poll(prompt="R\r")
        assert set((await driver.read(how)).faults) == {Fault.LINK_DOWN}
        assert (await driver.read(how)).counts == (5.0, 25.0)
        await driver.aclose()


async def test_a_connection_that_died_without_a_word_is_made_anew() -> None:
    async with RawTextServer(b"R\r", silence) as peer:
        driver, how = open_text(text_link(port=peer.port, timeout="50 ms")), poll(prompt="R\r")
        for _ in range(4):
            await driver.read(how)
        await until(lambda: peer.connections == 2)
        await driver.aclose()


def test_a_link_without_an_end_and_a_module_without_a_pattern_are_wrong_settings() -> None:
    with pytest.raises(DriverError, match="wants device"):
        open_link(text_link(device=None))
    with pytest.raises(DriverError, match="no pattern"):
        plan(module({"a": {"function": "input", "address": 0}}))
    with pytest.raises(DriverError, match="no field 'x'"):
        plan(text_module(PATTERN, {"x": {"field": "x"}}))


async def test_the_thread_ends_with_the_driver(tmp_path: Path) -> None:
    async with RawText(tmp_path) as peer:
        driver = open_text(text_link(device=peer.path))
        await driver.connect()
        thread = driver._thread
        assert thread is not None
        assert thread.is_alive()
        await driver.aclose()
        assert not thread.is_alive()
        assert set((await driver.read(poll())).faults) == {Fault.STOPPING}


async def test_a_capture_has_what_was_sent_and_what_came(tmp_path: Path) -> None:
    told: list[tuple[str, bytes]] = []
    async with RawText(tmp_path, b"R\r", lambda q: [line(1)]) as peer:
        driver = open_text(text_link(device=peer.path), lambda way, data: told.append((way, data)))
        await driver.read(poll(prompt="R\r"))
        await driver.aclose()
    assert told[0] == (">", b"R\r")
    assert b"".join(data for way, data in told if way == "<") == line(1)


# ------------------------------------------------------------------ a handheld


async def test_a_handheld_is_read_once_with_all_fields_of_its_pattern(tmp_path: Path) -> None:
    m = text_module(PATTERN, {"cond": {"field": "cond"}}, prompt="R\r")
    async with RawText(tmp_path, b"R\r", lambda q: [line(3)]) as peer:
        assert await read_once(text_link(device=peer.path), m, 5.0) == {"cond": 3.0, "temp": 25.0}
        assert len(peer.requests) == 1


@pytest.mark.parametrize(
    ("said", "fault"),
    [([], Fault.NO_ANSWER), ([b"ERR\r\n"], Fault.BAD_ANSWER), ([b"COND=1 uS T=-- C\r\n"], Fault.NOT_A_NUMBER)],
)
async def test_a_handheld_without_a_reading_says_why(said: list[bytes | None], fault: Fault, tmp_path: Path) -> None:
    m = text_module(PATTERN, FIELDS, prompt="R\r")
    async with RawText(tmp_path, b"R\r", lambda q: said) as peer:
        got = await read_once(text_link(device=peer.path), m, 0.3)
    assert isinstance(got, Trouble)
    assert got.fault is fault
    assert got.detail


async def test_a_handheld_that_is_not_plugged_in(tmp_path: Path) -> None:
    got = await read_once(text_link(device=str(tmp_path / "none")), text_module(PATTERN, FIELDS), 0.3)
    assert isinstance(got, Trouble)
    assert got.fault is Fault.LINK_DOWN
    assert got.detail.endswith("It is tried again by itself.")


@pytest.mark.parametrize(("parity", "stop_bits"), [("even", 1), ("odd", 2), ("none", 1), ("none", 2)])
async def test_seven_bits_and_a_parity_that_is_checked(tmp_path: Path, parity: str, stop_bits: int) -> None:
    link = text_link(device="?", parity=parity, data_bits=7, stop_bits=stop_bits, timeout="300 ms")
    there = outward(link)
    spoilt = bytearray(line(2).translate(there))
    spoilt[5] ^= 0x02  # one bit of the number
    asked: list[bytes] = []

    def reply(request: bytes) -> list[bytes | None]:
        return [line(1).translate(there)] if len(asked) == 1 else [bytes(spoilt)]

    master, slave = os.openpty()
    tty.setraw(slave)
    loop = asyncio.get_running_loop()

    def came() -> None:
        if data := os.read(master, 100):
            asked.append(data)
            for part in reply(data):
                os.write(master, part or b"")

    loop.add_reader(master, came)
    wire.declare(b"R\r")
    driver, how = open_text(link.model_copy(update={"device": os.ttyname(slave)})), poll(prompt="R\r")
    try:
        assert (await driver.read(how)).counts == (1.0, 25.0)
        second = await driver.read(how)
        if parity == "none":
            assert second.counts != (2.0, 25.0)  # nobody can tell without parity or checksum
        else:
            assert second.faults == (Fault.BAD_ANSWER,) * 2
            assert "control characters" in second.detail
    finally:
        await driver.aclose()
        loop.remove_reader(master)
        os.close(master)
        os.close(slave)
    assert set(asked) == {b"R\r".translate(there)}
