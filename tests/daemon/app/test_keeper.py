"""All or nothing while the disk refuses: groups wait, alarms go out, the gap is recorded once, nothing is doubled."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import apsw
import pytest

from config.load import loads
from daemon.acquire.poller import Polled
from daemon.app import keeper as keeper_module
from daemon.app.keeper import Keeper
from daemon.app.resume import Plants, resume
from daemon.app.timebase import TimeBase
from daemon.app.wrong_clock import Doubts, nobody_tells, trusted_ms
from daemon.core.outcome import MailRow
from daemon.core.scan import Scan
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.support.clock import HandClock
from tests.support.faultvfs import FaultDisk
from tests.support.feed import HEAD, WATER, boiler

PERSON = '[[person]]\nname = "On call"\nmail = "oncall@quillmarsh.example"\n'
TEXT = HEAD + boiler("continuous", more=WATER) + PERSON


class Bench:
    """A keeper on a store, fed by hand; `low` puts the water low."""

    def __init__(self, keeper: Keeper, writer: Writer, clock: HandClock) -> None:
        self.keeper, self.writer, self.clock = keeper, writer, clock
        self.direct: list[MailRow] = []

    async def polls(self, n: int, *, low: int = 0, every: float = 10.0) -> None:
        counts = (round((4 + 16 * 2900 / 5000) / 20 * 65535), 0, 0, 0, 1, low, 0, 0, 0, 1)
        for _ in range(n):
            await self.clock.forward(every)
            await self.keeper.deliver(Polled(self.clock.elapsed(), (Scan(0, counts, (0,) * 10),)))


@asynccontextmanager
async def bench(
    store: Path,
    vfs: str | None = None,
    start_ms: int | None = None,
    kept: Callable[[], bool | None] = nobody_tells,
) -> AsyncIterator[Bench]:
    source = loads(TEXT)
    clock = HandClock() if start_ms is None else HandClock(start_ms)
    writer = await Writer.open(store, owner="Quillmarsh Creamery", vfs=vfs)
    try:
        plants = Plants(writer)
        found = await resume(writer, plants)
        assert found.differing == 0
        last = await writer.last()
        base = TimeBase.after(clock, last.elapsed_ms if last else None, last.at_ms if last else 0)
        now = clock.now_ms()
        segments, corrections = await writer.clock()
        doubts = Doubts(trusted_ms(segments, corrections, last), kept)
        doubt = doubts.about(now)
        segment = await writer.open_segment("run", base.elapsed_ms, now, "start", doubt=doubt)
        base.begin_segment(segment, base.elapsed_ms, now)
        doubts.begin(segment, base.elapsed_ms, now, doubt)
        version = await writer.add_plant_version(source.text, source.sha256, now)
        plants.learn(version, source.plant)
        made: list[Bench] = []

        async def direct(rows: Sequence[MailRow]) -> None:
            made[0].direct += rows

        keeper = Keeper(
            writer,
            found.state,
            last.number if last else 0,
            last.elapsed_ms if last else None,
            base,
            plants,
            version,
            run="run",
            direct=direct,
            doubts=doubts,
        )
        made.append(Bench(keeper, writer, clock))
        yield made[0]
    finally:
        await writer.aclose()


def full() -> Exception:
    return apsw.FullError("no space left, as told")


def broken() -> Exception:
    return apsw.IOError("the disk does not answer, as told")


def numbers(store: Path) -> list[int]:
    with Reader(store) as reader:
        return [g.group.number for g in reader.groups()]


async def test_groups_wait_while_the_store_refuses_and_are_stored_in_order(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    with FaultDisk() as disk:
        async with bench(store, disk.name) as b:
            await b.polls(5)
            disk.fail = lambda number, kind: broken()
            await b.polls(20)
            assert b.keeper.trouble is not None
            disk.fail = lambda number, kind: None
            await b.polls(3)
            assert b.keeper.trouble is None
    assert numbers(store) == list(range(1, 29))
    with Reader(store) as reader:
        assert sum(g.group.gap_ms > 0 for g in reader.groups()) == 0
        assert [e.kind for e in reader.events() if e.kind == "store was refusing"] == ["store was refusing"]
        assert [e.kind for e in reader.journal()] == ["logger_store", "logger_store"]


async def test_what_is_stored_is_never_ahead_of_a_commit_that_failed(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    with FaultDisk() as disk:
        async with bench(store, disk.name) as b:
            await b.polls(5)
            disk.fail = lambda number, kind: broken()
            await b.polls(9, low=1)  # raised in memory only
            assert any("low_water" in m.body for m in b.direct)
            disk.fail = lambda number, kind: None
            # killed here: nothing more is written
    assert numbers(store) == [1, 2, 3, 4, 5]
    async with bench(store, start_ms=1_789_000_000_000 + 200_000) as b:
        await b.polls(3, low=1)
        assert b.keeper.state is not None
    with Reader(store) as reader:
        raised = [e for e in reader.journal() if e.event == "raised"]
    assert [(e.kind, e.occurrence) for e in raised] == [("low_water", 1)]


async def test_a_full_disk_gives_up_its_reserve_so_that_the_alarm_and_its_mail_fit(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    with FaultDisk() as disk:
        async with bench(store, disk.name) as b:
            await b.polls(5)
            assert b.writer.reserve_held
            disk.fail = lambda number, kind: full() if b.writer.reserve_held else None
            await b.polls(2, low=1)
            await b.polls(2, low=1)
            assert not b.writer.reserve_held
            assert b.keeper.trouble is None
            assert b.direct == []
    with Reader(store) as reader:
        assert [e.kind for e in reader.journal()] == ["low_water"]
        assert [n.key for n in reader.notices()] == ["1.raised"]
    assert numbers(store) == list(range(1, 10))


async def test_when_nothing_can_be_written_mails_go_out_directly_and_are_stored_later_once(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    with FaultDisk() as disk:
        async with bench(store, disk.name) as b:
            await b.polls(5)
            disk.fail = lambda number, kind: full()
            await b.polls(10, low=1)
            kinds = [k for m in b.direct for k in ("logger_store", "low_water") if f'"{k}"' in m.body]
            assert sorted(kinds) == ["logger_store", "low_water"]  # each once, in ten polls
            disk.fail = lambda number, kind: None
            await b.polls(3, low=1)
    with Reader(store) as reader:
        mails = list(reader.mails())
        assert [n.key for n in reader.notices() if n.direct] == ["1.raised"]  # nobody is told of it once more
    low = [m for m in mails if '"low_water"' in m.body]
    assert [(m.key, m.state) for m in low] == [(b.direct[1].key, "waiting")]  # the sender knows whether it was taken


async def test_after_an_hour_the_oldest_groups_are_dropped_and_the_gap_is_recorded_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper_module, "WAIT_MS", 600_000)  # ten minutes instead of an hour
    store = tmp_path / "w.db"
    with FaultDisk() as disk:
        async with bench(store, disk.name) as b:
            await b.polls(5)
            await b.writer.add_act("note", "Kim", {"text": "noted"}, 0)
            b.keeper.queue(await b.writer.pending_acts())
            disk.fail = lambda number, kind: broken()
            await b.polls(10, low=1)  # an alarm and an act in what will be dropped
            await b.polls(190, low=0)
            disk.fail = lambda number, kind: None
            await b.polls(2)
    stored = numbers(store)
    assert stored[:5] == [1, 2, 3, 4, 5]
    assert stored[5:] == list(range(stored[5], 208))
    assert 60 <= 207 - stored[5] <= 64
    with Reader(store) as reader:
        groups = {g.group.number: g.group for g in reader.groups()}
        journal = [(e.kind, e.event) for e in reader.journal()]
        assert [a.result for a in reader.acts() if a.act.kind == "note"] == [""]
        events = [e.text for e in reader.events() if e.kind == "store was refusing"]
    assert [n for n, g in groups.items() if g.gap_ms > 0] == [stored[5]]
    assert groups[stored[5]].gap_ms == groups[stored[5]].elapsed_ms - groups[5].elapsed_ms
    assert ("low_water", "raised") in journal and ("low_water", "returned") in journal
    assert len(events) == 1 and "groups were dropped" in events[0]


async def test_a_restart_resumes_the_very_state_and_notes_the_gap(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    async with bench(store) as b:
        await b.polls(40, low=1)
        before = b.keeper.state
    async with bench(store, start_ms=1_789_000_000_000 + 1_000_000) as b:
        assert before is not None and b.keeper.state is not None
        assert b.keeper.state.cells == before.cells
        await b.polls(1, low=1)
    with Reader(store) as reader:
        groups = [g.group for g in reader.groups()]
        assert [e.kind for e in reader.journal() if e.event == "raised"] == ["low_water", "logger_gap"]
    assert groups[-1].gap_ms == groups[-1].elapsed_ms - groups[-2].elapsed_ms == 610_000


async def test_a_clock_set_back_opens_a_segment_and_nothing_stalls_or_goes_back(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    async with bench(store) as b:
        await b.polls(5)
        b.clock._start_ms -= 3_600_000  # the hand clock has no other way to be set wrong
        await b.polls(5)
    with Reader(store) as reader:
        groups = [g.group for g in reader.groups_after(0)]
        segments = reader.clock_segments()
    assert [g.elapsed_ms for g in groups] == sorted(g.elapsed_ms for g in groups)
    assert groups[5].elapsed_ms - groups[4].elapsed_ms == 10_000
    assert groups[5].at_ms - groups[4].at_ms == 10_000 - 3_600_000
    assert len(segments) == 2 and "set back by" in segments[1].why


async def test_an_act_waits_for_its_commit_and_tells_what_became_of_it(tmp_path: Path) -> None:
    import asyncio

    async with bench(tmp_path / "w.db") as b:
        await b.polls(3, low=1)
        asked: asyncio.Task[Any] = asyncio.create_task(b.keeper.submit("ack", "Kim", {"occurrence": 1}))
        while not await b.writer.pending_acts():  # noqa: ASYNC110
            await asyncio.sleep(0)
        await b.polls(1, low=1)
        assert await asked == (1, "")
        assert b.keeper.state is not None
    with Reader(tmp_path / "w.db") as reader:
        assert [s.state for s in reader.standing() if s.kind == "low_water"] == ["acknowledged"]
