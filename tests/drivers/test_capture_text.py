"""Text links captured and played back: the same polls, bad nights included."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from config.model import Link
from drivers.capture import capture_to, captured
from drivers.capture_text import CapturedText
from drivers.contract import Answer, DriverError, Fault
from drivers.text import TextDriver, TextPlan, open_text, plan
from drivers.text_line import first_answer
from tests.drivers.test_text import FIELDS, PATTERN, first, line, listening, poll, until
from tests.support.modbus import tcp_link
from tests.support.rawpeer import silence
from tests.support.rawtext import RawText, RawTextServer, text_link, text_module


def tapped(link: Link, folder: Path) -> TextDriver:
    return open_text(link, capture_to(folder)(link))


async def again(link: Link, folder: Path, plans: list[TextPlan]) -> tuple[list[Answer], int]:
    driver = captured(folder / f"{link.name}.txt", link)
    assert isinstance(driver, CapturedText)
    assert await driver.connect() == ""
    out = [await driver.read(p) for p in plans]
    left = driver.unused
    assert set((await driver.read(plans[-1])).faults) == {Fault.NO_ANSWER} or left
    await driver.aclose()
    assert set((await driver.read(plans[0])).faults) == {Fault.STOPPING}
    assert await driver.connect() != ""
    return out, left


def same(a: list[Answer], b: list[Answer]) -> bool:
    return [(x.counts, x.faults) for x in a] == [(x.counts, x.faults) for x in b]


async def test_a_night_of_prompts_is_answered_again(tmp_path: Path) -> None:
    replies = (
        lambda q: [line(1)],
        silence,
        lambda q: [b"R\r", line(2)[:9], line(2)[9:] + line(9)],  # an echo, and two lines
        lambda q: [b"COND=3.0 uS T=ERR C\r\n"],
        lambda q: [b"\x00\xffgarbage\r\n"],
        lambda q: [b"COND=4"],
        lambda q: [b"x" * 300 + b"\r\n"],
        lambda q: [line(5)],
    )
    async with RawText(tmp_path, b"R\r", *replies) as peer:
        link = text_link(device=peer.path, timeout="100 ms")
        driver, how = tapped(link, tmp_path), poll(prompt="R\r")
        real = [await driver.read(how) for _ in replies]
        await driver.aclose()
    assert [a.counts[0] for a in real] == [1.0, None, 2.0, 3.0, None, None, None, 5.0]
    played, left = await again(link, tmp_path, [how] * len(replies))
    assert same(real, played)
    assert left == 0


async def test_two_prompted_on_one_link_are_told_apart(tmp_path: Path) -> None:
    async with RawText(tmp_path, b"R\r", lambda q: [line(1)], lambda q: [line(2)], lambda q: [line(3)]) as peer:
        link = text_link(device=peer.path, timeout="2 s")
        driver, one = tapped(link, tmp_path), poll(prompt="R\r")
        real = [await driver.read(one) for _ in range(3)]
        await driver.aclose()
    other = plan(text_module(PATTERN, FIELDS, "other", prompt="Q\r"))
    played, left = await again(link, tmp_path, [other, one, one])
    assert [a.counts[0] for a in played] == [None, 1.0, 2.0]
    assert (same(real[:2], played[1:]), left) == (True, 1)


async def test_one_that_prints_by_itself_gives_the_same_lines_to_the_same_polls(tmp_path: Path) -> None:
    async with RawText(tmp_path) as peer:
        link = text_link(device=peer.path, timeout="200 ms")
        driver, how = tapped(link, tmp_path), poll()
        real = [await first(driver, peer, how, line(1))]
        peer.say(line(2) + line(3) + b"COND=4")
        await until(lambda: driver._cutter is not None and driver._cutter.half == 6)
        real += [await driver.read(how), await driver.read(how)]  # 3, and none: half a line is no line
        peer.say(b".5 uS T=25.0 C\r\n")
        real.append(await driver.read(how))
        peer.say(b"nonsense\r\n")
        real.append(await driver.read(how))
        await driver.aclose()
    assert [a.counts[0] for a in real] == [1.0, 3.0, None, 4.5, None]
    played, left = await again(link, tmp_path, [how] * len(real))
    assert same(real, played)
    assert left == 0


async def test_a_link_that_was_lost_is_lost_again_and_its_half_line_with_it(tmp_path: Path) -> None:
    async with RawTextServer(b"", silence) as peer:
        link = text_link(port=peer.port)
        driver, how = tapped(link, tmp_path), poll()
        real = [await first(driver, peer, how, line(1), b"COND=7")]
        await peer.unplug()
        await until(lambda: driver._wire is None)
        real.append(await driver.read(how))
        await peer.plug()
        assert await driver.connect() == ""
        reading = asyncio.create_task(driver.read(how))
        await listening(driver)
        peer.say(b"1.0 uS T=25.0 C\r\n" + line(2))
        real.append(await reading)
        await driver.aclose()
    assert [a.counts[0] for a in real] == [1.0, None, 2.0]
    assert set(real[1].faults) == {Fault.LINK_DOWN}
    played, left = await again(link, tmp_path, [how] * 3)
    assert same(real, played)
    assert left == 0


async def test_a_text_capture_is_of_text_and_a_modbus_plan_is_none_of_its(tmp_path: Path) -> None:
    from tests.drivers.test_contract import PLAN

    (tmp_path / "bench.txt").write_text("# waterside capture, link bench text\n")
    driver = captured(tmp_path / "bench.txt", text_link(device="/dev/none"))
    assert set((await driver.read(PLAN)).faults) == {Fault.BAD_ANSWER}
    (tmp_path / "panel.txt").write_text("2026-11-25T03:07:12.004112Z panel ~\n")
    with pytest.raises(DriverError, match="no line of a capture"):
        await captured(tmp_path / "panel.txt", tcp_link(1)).read(PLAN)


@pytest.mark.parametrize(
    ("lines", "prompt", "found"),
    [
        ([b"R", b"5.0"], b"R\r", [b"5.0"]),
        ([b"R\r5.0"], b"R\r", [b"5.0"]),  # the instrument's lines end with CR LF, its echo with CR
        ([b"R\r", None], b"R\r", [None]),
        ([b"R5.0"], b"R", [b"R5.0"]),  # a prompt without an end may be how its line begins
        ([b"R"], b"R", []),
        ([], b"R\r", []),
    ],
)
def test_an_echo_is_no_answer(lines: list[bytes | None], prompt: bytes, found: list[bytes | None]) -> None:
    assert first_answer(lines, prompt) == found


async def test_one_that_prints_seldom_keeps_its_connection() -> None:
    """A meter that prints each minute and is polled each ten seconds; a new connection would lose its next line."""
    async with RawTextServer(b"", silence) as peer:
        driver, how = open_text(text_link(port=peer.port, timeout="20 ms")), poll()
        for _ in range(10):
            assert set((await driver.read(how)).faults) == {Fault.NO_ANSWER}
        assert peer.connections == 1
        peer.say(b"half a line\r\n" + line(8))
        await until(lambda: driver._newest is not None)
        assert (await driver.read(how)).counts == (8.0, 25.0)
        await driver.aclose()
