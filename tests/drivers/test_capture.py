"""A bus captured frame by frame, and the capture played back: the same answers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from config.model import Link, Module
from drivers.capture import Captured, capture_to, captured
from drivers.contract import Answer, DriverError, Fault
from drivers.registry import open_link, plan_reads
from tests.support.modbus import module, rtu_link, tcp_link
from tests.support.modbus_peers import rtu_peer, tcp_peer

CHANNELS = {
    "a": {"function": "input", "address": 0},
    "b": {"function": "input", "address": 1, "type": "u32"},
    "c": {"function": "holding", "address": 100, "type": "f32"},
    "d": {"function": "coil", "address": 3},
}
VALUES = {"input": {0: 17, 1: 1, 2: 2}, "holding": {100: 0x4048, 101: 0xF5C3}, "coil": {3: 1}}


async def night(link: Link, folder: Path, modules: Sequence[Module], polls: int) -> list[Answer]:
    """Poll for a while with a capture; what each poll gave."""
    driver = open_link(link, capture_to(folder))
    out = []
    try:
        for _ in range(polls):
            for m in modules:
                out.append(await driver.read(plan_reads(m, link)))
    finally:
        await driver.aclose()
    return out


async def again(link: Link, folder: Path, modules: Sequence[Module], polls: int) -> tuple[list[Answer], int]:
    """The same polls against the capture."""
    driver = captured(folder / f"{link.name}.txt", link)
    assert isinstance(driver, Captured)
    out = []
    for _ in range(polls):
        for m in modules:
            out.append(await driver.read(plan_reads(m, link)))
    unused = driver.unused
    await driver.aclose()
    assert set((await driver.read(plan_reads(modules[0], link))).faults) == {Fault.STOPPING}
    return out, unused


def same(a: Answer, b: Answer) -> bool:
    return (a.counts, a.faults) == (b.counts, b.faults)


@pytest.mark.parametrize("transport", ["tcp", "rtu"])
async def test_what_was_captured_is_answered_again(tmp_path: Path, transport: str) -> None:
    there, gone = module(CHANNELS, unit=1), module(CHANNELS, unit=2, name="gone")
    bad = module({"x": {"function": "input", "address": 5000}}, unit=1, name="bad")
    if transport == "tcp":
        with tcp_peer("libmodbus", VALUES) as tap:
            link = tcp_link(tap.port, "300 ms")
            first = await night(link, tmp_path, [there, bad], 4)
            second, unused = await again(link, tmp_path, [there, bad], 4)
    else:
        with rtu_peer("modbus-tk", VALUES, unit=1) as line:
            link = rtu_link(line.host, "200 ms")
            first = await night(link, tmp_path, [there, gone, bad], 3)
            second, unused = await again(link, tmp_path, [there, gone, bad], 3)
        assert any(set(a.faults) == {Fault.NO_ANSWER} for a in first)
    assert first[0].counts[0] == 17
    assert any(Fault.REFUSED_2 in a.faults for a in first)
    assert all(same(a, b) for a, b in zip(first, second, strict=True))
    assert unused == 0


async def test_a_line_is_text_with_time_link_and_way(tmp_path: Path) -> None:
    with tcp_peer("libmodbus", VALUES) as tap:
        link = tcp_link(tap.port)
        await night(link, tmp_path, [module({"a": CHANNELS["a"]})], 1)
    head, sent, came = (tmp_path / "panel.txt").read_text().splitlines()
    assert head == "# waterside capture, link panel modbus-tcp"
    assert sent.split()[1:3] == ["panel", ">"]
    assert sent.split()[-5:] == ["04", "00", "00", "00", "01"]
    assert came.split()[1:3] == ["panel", "<"]
    assert came.split()[-2:] == ["00", "11"]
    assert sent.split()[0].endswith("Z") and "T" in sent.split()[0]


async def test_a_capture_that_grows_too_long_is_put_aside(tmp_path: Path) -> None:
    hook = capture_to(tmp_path, limit=2_000)
    tap = hook(tcp_link(1))
    for _ in range(100):
        tap("<", bytes(20))
    assert (tmp_path / "panel.1.txt").stat().st_size > 1_900
    assert (tmp_path / "panel.txt").stat().st_size < 2_200


def test_a_disk_that_refuses_ends_the_capture_and_nothing_else(tmp_path: Path) -> None:
    tap = capture_to(tmp_path)(tcp_link(1))
    tap(">", b"\x01")
    (tmp_path / "panel.txt").unlink()
    other = capture_to(tmp_path)(tcp_link(1))
    (tmp_path / "panel.txt").mkdir()
    other("<", b"\x01")
    other("<", b"\x02")  # no exception reaches the driver


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("# waterside capture, link panel modbus-rtu\n", "line 1: a capture of modbus-rtu; wanted modbus-tcp"),
        ("# waterside capture, link panel modbus-tcp\n2026 panel > zz\n", "line 2: no line of a capture"),
        ("# waterside capture, link panel modbus-tcp\n2026 panel ! NONSENSE\n", "line 2: no line of a capture"),
    ],
)
def test_what_is_no_capture_is_named(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "panel.txt").write_text(text)
    with pytest.raises(DriverError, match=said):
        captured(tmp_path / "panel.txt", tcp_link(1))
