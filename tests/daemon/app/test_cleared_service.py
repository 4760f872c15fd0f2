"""Registers that reading clears, in the running service: read by the polls alone, stored once, lost ones marked."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from config.load import load
from daemon.core.reasons import Reason
from daemon.core.tags import derived_tags
from daemon.store.reader import Reader
from tests.daemon.app.test_scan import scan
from tests.support.plants import one_boiler
from tests.support.rawpeer import RawTcp, adu
from tests.support.service import Running, running


class Register:
    """Input 20..21 counts three pulses between two readings, and each reading clears it. All else answers plainly."""

    def __init__(self) -> None:
        self.told: list[int] = []  # what each reading took
        self.mute = False  # it reads and clears, and the answer is lost

    def answer(self, request: bytes) -> list[bytes | None]:
        pdu = request[7:]
        if pdu[0] == 43:
            return [adu(request, bytes((0xAB, 1)))]
        first, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        if pdu[0] in (1, 2):
            return [adu(request, bytes((pdu[0], (count + 7) // 8, *bytes((count + 7) // 8))))]
        values = [30_000 if first + i == 0 else 0 for i in range(count)]
        if pdu[0] == 4 and first <= 21 and first + count > 20:
            assert (first, count) == (20, 2), "it was read in part, or along with something else"
            self.told.append(3)
            values = [0, 3]
            if self.mute:
                return []
        return [adu(request, bytes((pdu[0], 2 * count)) + b"".join(v.to_bytes(2, "big") for v in values))]


def site(folder: Path, port: int) -> Path:
    text = one_boiler(port, "300 ms").replace(
        "[module.channels]", 'clear_on_read = ["input 20..21"]\n[module.channels]'
    )
    path = folder / "plant.toml"
    path.write_text(text.replace('"500 ms"', '"200 ms"').replace("20 m3/h", "9000 m3/h"))  # three pulses in 300 ms
    return path


async def off_loop(work: Callable[..., Any], *given: Any) -> Any:
    return await asyncio.to_thread(work, *given)


def totals(plant: Path, store: Path) -> list[tuple[float, int]]:
    tags = [d.name for d in derived_tags(load(plant).plant)]
    tag = tags.index("makeup.total")
    with Reader(store) as reader:
        return [(d.value, d.reason) for g in reader.groups() for d in g.derived if d.tag == tag]


def stored(store: Path) -> list[int]:
    """The increments in the log, in order."""
    with Reader(store) as reader:
        counts = [s.counts[1] for g in reader.groups() for s in g.group.scans]
    return [int(c) for c in counts if c is not None]


async def test_through_stops_kills_lost_answers_and_a_scan_the_total_is_what_is_stored(tmp_path: Path) -> None:
    register = Register()
    async with RawTcp(register.answer) as peer:
        plant, store = site(tmp_path, peer.port), tmp_path / "w.db"

        def clean(service: Running) -> None:
            service.wait_groups(4)
            assert service.end() == 0

        with running(plant, store) as service:
            await off_loop(clean, service)
        with running(plant, store) as service:
            await off_loop(service.wait_groups, 4)
            done = await off_loop(scan, tmp_path, "panel", "--units", "1-3", "--through-service", "--json")
            assert done.returncode == 0, done.stderr
            await off_loop(service.wait_groups, 1)
            assert await off_loop(service.end) == 0
        said = totals(plant, store)
        assert Reason.COUNTS_LOST not in [r for _, r in said]
        assert len(register.told) - len(stored(store)) <= 2, "a read that a stop cut off, and no other"
        before = len(said)
        with running(plant, store) as service:
            await off_loop(service.wait_groups, 3)
            service.signal(signal.SIGKILL)
            await off_loop(service.process.wait)
        with running(plant, store) as service:
            await off_loop(service.wait_groups, 2)
            register.mute = True
            await peer.asked(len(peer.requests) + 2)
            await off_loop(service.wait_groups, 2)
            register.mute = False
            await off_loop(service.wait_groups, 4)
            assert await off_loop(service.end) == 0
        said = totals(plant, store)
    kept = stored(store)
    assert set(kept) == {3}
    assert len(kept) < len(register.told)
    assert said[-1][0] == pytest.approx(sum(kept[1:]) * load(plant).plant.meters[0].pulse)
    marks = [i for i, (_, r) in enumerate(said) if r == Reason.COUNTS_LOST]
    assert len([i for i in marks if i >= before]) >= 3, "the kill, the lost answers, and the reading after them"
    values = [v for v, _ in said]
    assert values == sorted(values), "the total went back"
    with Reader(store) as reader:
        assert [e.text for e in reader.events() if e.kind == "journal differs"] == []
