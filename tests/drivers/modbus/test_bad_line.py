"""Every way an exchange on a line can go wrong: RTU, RTU over TCP and ASCII, each against a peer scripted byte by byte.

Modbus TCP, which has transaction numbers, has its own list in test_tcp.py; what only a port can do is in test_rtu.py.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from config.model import Link
from drivers.contract import Answer, Fault, ReadPlan, refused
from drivers.modbus.line import LineDriver
from drivers.registry import open_link, plan_reads
from tests.support.modbus import ascii_link, gateway_link, module, rtu_link
from tests.support.rawpeer import DROP, RawAscii, RawGateway, RawRtu, Reply, ascii_frame, rtu, silence

GOOD = bytes((4, 4, 0x0B, 0xB8, 0xFF, 0xFE))
OTHER = bytes((4, 4, 9, 9, 9, 9))
COUNTS = (3000, 65534)
CHANNELS = {"a": {"function": "input", "address": 0}, "b": {"function": "input", "address": 1}}
PLAN = plan_reads(module(CHANNELS, unit=7))
NEIGHBOUR = plan_reads(module(CHANNELS, unit=8, name="next"))
ASKED = bytes((4, 0, 0, 0, 2))

Frame = Callable[[int, bytes], bytes]
Peer = RawRtu | RawGateway


@dataclass(frozen=True)
class Kind:
    """A kind of line: its frames, and a peer with the link to it."""

    frame: Frame
    peer: Callable[[Path, tuple[Reply, ...]], Peer]
    link: Callable[[Peer, str], Link]

    @asynccontextmanager
    async def meet(
        self, folder: Path, *replies: Reply, timeout: str = "5 s", unwritten: bool = False
    ) -> AsyncIterator[Met]:  # fmt: skip
        """`unwritten`: the link says nothing of a timeout."""
        async with self.peer(folder, replies) as peer:
            link = self.link(peer, timeout)
            driver = open_link(link.model_copy(update={"timeout": None}) if unwritten else link)
            assert isinstance(driver, LineDriver)
            try:
                yield Met(driver, peer)
            finally:
                await driver.aclose()

    def good(self, request: bytes) -> list[bytes | None]:
        return [self.frame(request[0], GOOD)]


@dataclass(frozen=True)
class Met:
    driver: LineDriver
    peer: Peer


KINDS = {
    "rtu": Kind(rtu, lambda f, r: RawRtu(f, *r), lambda p, t: rtu_link(p.path, t)),  # type: ignore[union-attr]
    "rtu over tcp": Kind(rtu, lambda f, r: RawGateway(*r), lambda p, t: gateway_link(p.port, t)),  # type: ignore[union-attr]
    "ascii": Kind(ascii_frame, lambda f, r: RawAscii(f, *r), lambda p, t: ascii_link(p.path, t)),  # type: ignore[union-attr]
}


@pytest.fixture(params=KINDS.values(), ids=KINDS.keys())
def kind(request: pytest.FixtureRequest) -> Kind:
    found: Kind = request.param
    return found


def check(answer: Answer, fault: Fault, plan: ReadPlan = PLAN) -> None:
    assert answer.faults == (fault,) * len(plan.picks), answer.detail
    assert answer.counts == (COUNTS if fault is Fault.NONE else (None,) * len(plan.picks))
    assert bool(answer.detail) == (fault is not Fault.NONE)
    assert "\n" not in answer.detail


async def test_silence_is_no_answer_and_the_rest_of_the_plan_is_not_asked(kind: Kind, tmp_path: Path) -> None:
    plan = plan_reads(module({**CHANNELS, "c": {"function": "coil", "address": 3}}, unit=7))
    async with kind.meet(tmp_path, silence, timeout="200 ms") as met:
        answer = await met.driver.read(plan)
        check(answer, Fault.NO_ANSWER, plan)
        assert "no answer within 0.2 s" in answer.detail
        assert len(met.peer.requests) == 1


async def test_a_late_answer_during_the_rest_is_not_the_next_one(kind: Kind, tmp_path: Path) -> None:
    async with kind.meet(tmp_path, silence, kind.good, timeout="700 ms") as met:
        check(await met.driver.read(PLAN), Fault.NO_ANSWER)
        reading = asyncio.create_task(met.driver.read(PLAN))
        await asyncio.sleep(0.1)
        assert len(met.peer.requests) == 1, "the unit was not left quiet"
        met.peer.say(kind.frame(7, OTHER))
        check(await reading, Fault.NONE)
        assert met.driver.counts.late == 1


async def test_a_late_answer_in_the_neighbours_turn_is_not_the_neighbours(kind: Kind, tmp_path: Path) -> None:
    def both(request: bytes) -> list[bytes | None]:
        return [kind.frame(7, OTHER), kind.frame(request[0], GOOD)]

    async with kind.meet(tmp_path, silence, both, kind.good, timeout="400 ms") as met:
        check(await met.driver.read(PLAN), Fault.NO_ANSWER)
        check(await met.driver.read(NEIGHBOUR), Fault.NONE)
        assert met.driver.counts.late == 1
        check(await met.driver.read(PLAN), Fault.NONE)


async def test_the_line_is_left_quiet_for_the_worst_answer_time_a_module_declares(kind: Kind, tmp_path: Path) -> None:
    """The wait that is written on the link is shorter: then nobody is asked before the module must have answered."""
    plan = plan_reads(module(CHANNELS, unit=7).model_copy(update={"answers_within": 0.8}))
    async with kind.meet(tmp_path, silence, kind.good, timeout="200 ms") as met:
        check(await met.driver.read(plan), Fault.NO_ANSWER)
        reading = asyncio.create_task(met.driver.read(NEIGHBOUR))
        await asyncio.sleep(0.1)
        assert len(met.peer.requests) == 1, "the neighbour was asked while the module may still answer"
        met.peer.say(kind.frame(7, OTHER))
        check(await reading, Fault.NONE)
        assert met.driver.counts.late == 1


async def test_a_module_that_may_take_long_is_waited_for_without_a_word_on_the_link(kind: Kind, tmp_path: Path) -> None:
    plan = plan_reads(module(CHANNELS, unit=7).model_copy(update={"answers_within": 0.2}))
    async with kind.meet(tmp_path, silence, unwritten=True) as met:
        answer = await met.driver.read(plan)
        check(answer, Fault.NO_ANSWER)
        assert "no answer within 0.2 s" in answer.detail


@pytest.mark.parametrize("code", [*range(1, 12), 0, 12, 0x55, 255])
async def test_an_exception_is_a_refusal_with_its_code(kind: Kind, tmp_path: Path, code: int) -> None:
    async with kind.meet(tmp_path, lambda q: [kind.frame(7, bytes((0x84, code)))], kind.good) as met:
        answer = await met.driver.read(PLAN)
        check(answer, refused(code))
        assert f"code {code}" in answer.detail
        check(await met.driver.read(PLAN), Fault.NONE)


@pytest.mark.parametrize("code", [10, 11])
async def test_a_gateway_that_answers_for_a_dead_unit_ends_its_poll(kind: Kind, tmp_path: Path, code: int) -> None:
    channels = {**CHANNELS, "c": {"function": "coil", "address": 3}, "d": {"function": "holding", "address": 3}}
    plan = plan_reads(module(channels, unit=7))
    async with kind.meet(tmp_path, lambda q: [kind.frame(7, bytes((q[1] | 0x80, code)))], kind.good) as met:
        check(await met.driver.read(plan), refused(code), plan)
        assert len(met.peer.requests) == 1
        check(await met.driver.read(NEIGHBOUR), Fault.NONE)


BAD: dict[str, Callable[[Frame], bytes]] = {
    "another function": lambda f: f(7, b"\x03" + GOOD[1:]),
    "a writing function": lambda f: f(7, bytes((6, 0, 0, 0, 1))),
    "another unit": lambda f: f(8, GOOD),
    "one register": lambda f: f(7, bytes((4, 2, 0x0B, 0xB8))),
    "three registers": lambda f: f(7, bytes((4, 6, 1, 2, 3, 4, 5, 6))),
    "odd byte count": lambda f: f(7, bytes((4, 3, 1, 2, 3))),
    "byte count says less": lambda f: f(7, bytes((4, 2)) + GOOD[2:]),
    "byte count says more": lambda f: f(7, bytes((4, 6)) + GOOD[2:]),
    "exception of another function": lambda f: f(7, b"\x83\x02"),
    "exception of another unit": lambda f: f(8, b"\x84\x02"),
    "half a frame": lambda f: f(7, GOOD)[:6],
    "all but a byte": lambda f: f(7, GOOD)[:-1],
    "noise": lambda f: bytes(range(1, 200)),
    "noise after the echo": lambda f: f(7, ASKED) + b"\xff\x00",
    "another master and what it is told": lambda f: f(7, bytes((4, 0, 9, 0, 2))) + f(7, OTHER),
    "another master that writes": lambda f: 2 * f(7, bytes((6, 0, 9, 0, 2))),
}


@pytest.mark.parametrize("sent", BAD.values(), ids=BAD.keys())
async def test_what_is_not_exactly_as_asked_is_bad(kind: Kind, tmp_path: Path, sent: Callable[[Frame], bytes]) -> None:
    async with kind.meet(tmp_path, lambda q: [sent(kind.frame)], kind.good, timeout="250 ms") as met:
        check(await met.driver.read(PLAN), Fault.BAD_ANSWER)
        check(await met.driver.read(PLAN), Fault.NONE)


async def test_a_wrong_check_is_bad_whichever_bit_it_is(kind: Kind, tmp_path: Path) -> None:
    frame = kind.frame(7, GOOD)
    spoilt = [bytes((*frame[:-3], frame[-3] ^ bit, *frame[-2:])) for bit in (1, 0x40)]
    spoilt += [frame[:9] + bytes((frame[9] ^ 1,)) + frame[10:]] if kind.frame is ascii_frame else []
    replies: list[Reply] = [lambda q, s=s: [s] for s in spoilt]  # type: ignore[misc]
    async with kind.meet(tmp_path, *replies, kind.good, timeout="150 ms") as met:
        for _ in spoilt:
            check(await met.driver.read(PLAN), Fault.BAD_ANSWER)
        check(await met.driver.read(PLAN), Fault.NONE)


async def test_half_a_frame_then_silence_says_so_and_its_other_half_does_no_harm(kind: Kind, tmp_path: Path) -> None:
    frame = kind.frame(7, GOOD)
    async with kind.meet(tmp_path, lambda q: [frame[:8]], kind.good, timeout="400 ms") as met:
        answer = await met.driver.read(PLAN)
        check(answer, Fault.BAD_ANSWER)
        assert f"half an answer (8 of {len(frame)} characters), then silence" in answer.detail
        met.peer.say(frame[8:])
        check(await met.driver.read(PLAN), Fault.NONE)


FINE: dict[str, Callable[[Frame], list[bytes | None]]] = {
    "byte by byte": lambda f: [bytes((b,)) for b in f(7, GOOD)],
    "after noise": lambda f: [b"\x00\xff\x55", f(7, GOOD)],
    "after half of itself": lambda f: [f(7, GOOD)[:6] + f(7, GOOD)],
    "before noise": lambda f: [f(7, GOOD) + b"\x00\x01\x02"],
    "after an answer of another unit": lambda f: [f(8, OTHER) + f(7, GOOD)],
    "after an answer of another length": lambda f: [f(7, bytes((4, 2, 9, 9))) + f(7, GOOD)],
    "after the echo of the request": lambda f: [f(7, ASKED), f(7, GOOD)],
    "after a spoilt echo of the request": lambda f: [f(7, ASKED)[:-3] + b"\xee", f(7, GOOD)],
    "after another master asked another unit": lambda f: [f(8, ASKED) + f(8, OTHER) + f(7, GOOD)],
}


@pytest.mark.parametrize("steps", FINE.values(), ids=FINE.keys())
async def test_the_answer_is_found(kind: Kind, tmp_path: Path, steps: Callable[[Frame], list[bytes | None]]) -> None:
    async with kind.meet(tmp_path, lambda q: steps(kind.frame)) as met:
        for _ in range(3):
            check(await met.driver.read(PLAN), Fault.NONE)


async def test_an_echo_alone_is_no_answer(kind: Kind, tmp_path: Path) -> None:
    async with kind.meet(tmp_path, lambda q: [kind.frame(7, q[1:-2])], timeout="250 ms") as met:
        answer = await met.driver.read(PLAN)
        check(answer, Fault.NO_ANSWER)
        assert "only the echo of the request came back" in answer.detail
        assert met.driver.counts.echoes == 1


async def test_the_echo_of_a_request_that_looks_like_its_answer_is_none(kind: Kind, tmp_path: Path) -> None:
    """Of 24 coils from 0x0300 on: unit, 1, 3 (address, or byte count), and three more bytes with a right check."""
    channels = {f"c{i}": {"function": "coil", "address": 0x0300 + i} for i in range(24)}
    plan = plan_reads(module(channels, unit=7))
    assert [(r.address, r.count) for r in plan.requests] == [(0x0300, 24)]
    told = bytes((1, 3, 0b101, 0, 0x80))
    steps: list[Reply] = [
        lambda q: [kind.frame(7, q[1:-2])],
        lambda q: [kind.frame(7, q[1:-2]), kind.frame(7, told)],
        lambda q: [kind.frame(7, told)],
    ]
    wanted = tuple(int(i in (0, 2, 23)) for i in range(24))
    async with kind.meet(tmp_path, *steps, timeout="300 ms") as met:
        check(await met.driver.read(plan), Fault.NO_ANSWER, plan)
        for _ in range(2):
            answer = await met.driver.read(plan)
            assert answer.counts == wanted, answer.detail


async def test_an_adapter_that_echoes_is_learned(kind: Kind, tmp_path: Path) -> None:
    async with kind.meet(tmp_path, lambda q: [kind.frame(7, q[1:-2]), kind.frame(7, GOOD)]) as met:
        assert not met.driver.talk.echoing
        for n in range(1, 4):
            check(await met.driver.read(PLAN), Fault.NONE)
            assert (met.driver.talk.echoing, met.driver.counts.echoes) == (True, n)
        assert (met.driver.counts.masters, met.driver.counts.noise) == (0, 0)


async def test_another_master_is_counted_and_said(kind: Kind, tmp_path: Path) -> None:
    theirs = kind.frame(7, bytes((4, 0, 9, 0, 2))) + kind.frame(7, OTHER)
    async with kind.meet(tmp_path, lambda q: [theirs], kind.good, timeout="250 ms") as met:
        answer = await met.driver.read(PLAN)
        check(answer, Fault.BAD_ANSWER)
        assert "Another master asks on this pair (unit 7)" in answer.detail
        assert (met.driver.counts.masters, met.driver.counts.foreign) == (1, 1)


async def test_between_polls_another_master_is_let_finish(kind: Kind, tmp_path: Path) -> None:
    """Its request is heard before ours is sent; ours waits for the answer, which is not taken for ours."""
    async with kind.meet(tmp_path, kind.good, timeout="600 ms") as met:
        check(await met.driver.read(PLAN), Fault.NONE)
        met.peer.say(kind.frame(7, bytes((4, 0, 9, 0, 2))))
        await asyncio.sleep(0.05)
        reading = asyncio.create_task(met.driver.read(PLAN))
        await asyncio.sleep(0.15)
        assert len(met.peer.requests) == 1, "it was asked while the other master's answer was to come"
        met.peer.say(kind.frame(7, OTHER))
        check(await reading, Fault.NONE)
        assert met.driver.counts.masters == 1


async def test_noise_between_polls_never_becomes_a_value(kind: Kind, tmp_path: Path) -> None:
    async with kind.meet(tmp_path, kind.good) as met:
        for noise in (b"\x00", kind.frame(7, OTHER), kind.frame(7, GOOD)[:7], b"noise" * 100):
            check(await met.driver.read(PLAN), Fault.NONE)
            met.peer.say(noise)
            await asyncio.sleep(0.03)
        check(await met.driver.read(PLAN), Fault.NONE)


# ASCII needs no silence: a colon begins a frame whatever was before
@pytest.mark.parametrize("kind", [k for name, k in KINDS.items() if name != "ascii"], ids=lambda k: k.frame.__name__)
async def test_a_line_that_never_rests_is_bad_and_nothing_is_sent_into_it(kind: Kind, tmp_path: Path) -> None:
    async def talk(peer: Peer) -> None:
        while True:
            peer.say(b"\x55")
            await asyncio.sleep(0.004)

    async with kind.meet(tmp_path, kind.good, timeout="200 ms") as met:
        assert await met.driver.connect() == ""
        await asyncio.sleep(0.05)  # a gateway has to take the connection before it can speak
        talking = asyncio.create_task(talk(met.peer))
        try:
            for _ in range(20):  # a busy machine may leave a gap long enough to ask in: then again
                before = len(met.peer.requests)
                answer = await met.driver.read(PLAN)
                if answer.faults[0] is not Fault.NONE:
                    break
            check(answer, Fault.BAD_ANSWER)
            assert "the line was not quiet for 0.2 s; nothing was asked" in answer.detail
            assert len(met.peer.requests) == before
        finally:
            talking.cancel()
            await asyncio.wait((talking,))
        check(await met.driver.read(PLAN), Fault.NONE)


async def test_a_link_lost_and_back(kind: Kind, tmp_path: Path) -> None:
    """Lost in the middle of an answer; what it was to say may come when it is back, and is not the next answer."""
    async with kind.meet(
        tmp_path, kind.good, lambda q: [kind.frame(7, GOOD)[:3], DROP], kind.good, timeout="1 s"
    ) as met:
        check(await met.driver.read(PLAN), Fault.NONE)
        async with asyncio.timeout(30):
            answer = await met.driver.read(PLAN)
            check(answer, Fault.LINK_DOWN)
            assert "It is tried again by itself." in answer.detail
            if isinstance(met.peer, RawRtu):
                met.peer.plug()
            while (answer := await met.driver.read(NEIGHBOUR)).silent:  # noqa: ASYNC110 - its own pause
                await asyncio.sleep(0.02)
            check(answer, Fault.NONE)
            asked = len(met.peer.requests)
            reading = asyncio.create_task(met.driver.read(PLAN))
            await asyncio.sleep(0.05)
            assert len(met.peer.requests) == asked, "the unit was not left quiet after the link was lost"
            met.peer.say(kind.frame(7, OTHER))
            check(await reading, Fault.NONE)


async def test_a_refused_request_faults_its_own_channels_only(kind: Kind, tmp_path: Path) -> None:
    channels = {**CHANNELS, "c": {"function": "coil", "address": 3}, "d": {"function": "holding", "address": 3}}
    pdus = {1: b"\x01\x01\x01", 3: b"\x83\x02", 4: GOOD}
    async with kind.meet(tmp_path, lambda q: [kind.frame(7, pdus[q[1]])]) as met:
        answer = await met.driver.read(plan_reads(module(channels, unit=7)))
        assert answer.counts == (*COUNTS, 1, None)
        assert answer.faults == (Fault.NONE, Fault.NONE, Fault.NONE, Fault.REFUSED_2)


async def test_a_cancelled_read_leaves_the_link_usable(kind: Kind, tmp_path: Path) -> None:
    async with kind.meet(tmp_path, silence, kind.good, timeout="300 ms") as met:
        reading = asyncio.create_task(met.driver.read(PLAN))
        await met.peer.asked()
        reading.cancel()
        await asyncio.wait((reading,))
        check(await met.driver.read(PLAN), Fault.NONE)
