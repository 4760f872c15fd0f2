"""A bus captured frame by frame, and the capture played back: the same answers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from config.model import Link, Module
from drivers.capture import Captured, capture_to, captured
from drivers.contract import Answer, DriverError, Fault
from drivers.registry import open_link, plan_reads
from tests.support.modbus import ascii_link, gateway_link, module, rtu_link, tcp_link
from tests.support.modbus_peers import rtu_peer, tcp_peer
from tests.support.rawpeer import DROP, RawAscii, RawGateway, RawRtu, RawTcp, Reply, adu, ascii_frame, rtu

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


PDU = bytes((4, 4, 0x0B, 0xB8, 0xFF, 0xFE))
OTHER = bytes((4, 4, 9, 9, 9, 9))
PAIR = module({"a": {"function": "input", "address": 0}, "b": {"function": "input", "address": 1}}, 7)


def bad_night(kind: str) -> list[Reply]:
    """What a peer does at each request: nearly everything that can go wrong, the link lost at the end."""
    if kind == "modbus-tcp":
        return [
            lambda q: [adu(q, PDU)],
            lambda q: [],
            lambda q: [adu(q, OTHER, tid=0x7001) + adu(q, PDU)],
            lambda q: [adu(q, b"\x84\x02")],
            lambda q: [adu(q, PDU)[:9]],
            lambda q: [bytes((b,)) for b in adu(q, PDU)],
            lambda q: [adu(q, PDU, unit=8)],
            lambda q: [adu(q, b"\x84\x0b")],
            lambda q: [adu(q, b"\x03" + PDU[1:])],
            lambda q: [adu(q, PDU)],
            lambda q: [adu(q, PDU)[:7], DROP],
        ]
    f = ascii_frame if kind == "modbus-ascii" else rtu
    return [
        lambda q: [f(7, PDU)],
        lambda q: [],
        lambda q: [f(8, OTHER) + b"\xff" + f(7, PDU)],
        lambda q: [f(7, q[1:-2])],
        lambda q: [f(7, q[1:-2]), f(7, PDU)],
        lambda q: [f(7, b"\x84\x02")],
        lambda q: [f(7, PDU)[:6]],
        lambda q: [bytes((b,)) for b in f(7, PDU)],
        lambda q: [f(7, bytes((4, 0, 9, 0, 2))) + f(7, OTHER)],
        lambda q: [f(7, b"\x84\x0b")],
        lambda q: [f(7, PDU)],
        lambda q: [f(7, PDU)[:4], DROP],
    ]


@pytest.mark.parametrize("kind", ["modbus-tcp", "modbus-rtu", "modbus-rtu-over-tcp", "modbus-ascii"])
async def test_a_bad_night_gives_the_same_answers_again(tmp_path: Path, kind: str) -> None:
    """Down to the words for all that the bytes tell; what could not be sent is told apart from the request before."""
    replies = bad_night(kind)
    peers = {"modbus-tcp": RawTcp, "modbus-rtu-over-tcp": RawGateway}
    made = peers[kind](*replies) if kind in peers else (RawAscii if "ascii" in kind else RawRtu)(tmp_path, *replies)
    async with made as peer:
        if isinstance(peer, RawTcp):
            link = tcp_link(peer.port, "200 ms", name="night")
        elif isinstance(peer, RawGateway):
            link = gateway_link(peer.port, "200 ms", name="night")
        else:
            link = (ascii_link if "ascii" in kind else rtu_link)(peer.path, "200 ms", name="night")
        driver = open_link(link, capture_to(tmp_path))
        plan = plan_reads(PAIR, link)
        first = [await driver.read(plan) for _ in replies[:-1]]
        if isinstance(peer, RawTcp | RawGateway):
            peer._server.close()  # it takes no new connection: the reads that follow cannot be sent
        first += [await driver.read(plan) for _ in range(3)]
        await driver.aclose()
    assert {Fault.NONE, Fault.NO_ANSWER, Fault.BAD_ANSWER, Fault.REFUSED_2, Fault.REFUSED_11, Fault.LINK_DOWN} == {
        a.faults[0] for a in first
    }
    text = (tmp_path / "night.txt").read_text()
    assert text.count(" night > ") == len(replies)
    assert text.count(" night - LINK_DOWN 07 04 ") == 2
    replay = captured(tmp_path / "night.txt", link)
    assert isinstance(replay, Captured)
    second = [await replay.read(plan) for _ in first]
    assert [(a.counts, a.faults) for a in second] == [(a.counts, a.faults) for a in first]
    told = [(a.detail, b.detail) for a, b in zip(first, second, strict=True) if a.faults[0] is Fault.BAD_ANSWER]
    assert told and all(a == b for a, b in told)
    assert replay.unused == 0
    assert set((await replay.read(plan)).faults) == {Fault.NO_ANSWER}, "the capture has no further answer"


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


def test_a_disk_that_refuses_ends_the_capture_and_nothing_else(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    tap = capture_to(tmp_path)(tcp_link(1))
    tap(">", b"\x01")
    (tmp_path / "panel.txt").unlink()
    other = capture_to(tmp_path)(tcp_link(1))
    (tmp_path / "panel.txt").mkdir()
    other("<", b"\x01")
    other("<", b"\x02")  # no exception reaches the driver
    assert [r.getMessage().split(" (")[0] for r in caplog.records] == [
        f"link panel: its frames cannot be written to {tmp_path / 'panel.txt'}"
    ]


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
