"""The writer on real files: what a commit holds, what is refused, and that one call is one transaction."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.core.outcome import MailRow, Standing
from daemon.store.errors import StoreError, StoreRefused
from daemon.store.reader import Reader
from daemon.store.schema import STEPS
from daemon.store.writer import Writer
from tests.support.stores import PLANT, START_MS, TEXT, Expected, begin, commit, made, plant


async def test_every_commit_is_complete_at_once_for_another_reader(tmp_path: Path) -> None:
    path, expected = tmp_path / "a.db", Expected()
    writer = await begin(path)
    assert writer.migrated == (0, len(STEPS))
    for number in range(1, 61):
        expected.made.append(made(number))
        await commit(writer, expected.made[-1])
        if number % 7 == 0:
            expected.check(path)
    await writer.aclose()
    expected.check(path)


async def test_the_next_start_finds_where_the_last_one_ended(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    assert await writer.last() is None
    assert await writer.newest_snapshot() is None
    expected = Expected([made(n) for n in range(1, 11)])
    for one in expected.made:
        await commit(writer, one)
    head = await writer.head()
    await writer.aclose()
    writer = await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
    assert writer.migrated == (len(STEPS), len(STEPS))
    assert await writer.head() == head
    last = await writer.last()
    assert last is not None
    assert (last.number, last.elapsed_ms, last.at_ms) == (10, 10_000, START_MS + 10_000)
    assert (last.segment, last.plant) == (1, 1)
    snapshot = await writer.newest_snapshot()
    assert snapshot == made(8).snapshot
    again = [g async for g in writer.groups_after(snapshot.group)]
    assert [g.group.number for g in again] == [9, 10]
    assert [g.journal for g in again] == [m.outcome.journal for m in expected.made[8:]]
    assert await writer.plant_text(1) == TEXT
    expected.made.append(made(11))
    await commit(writer, expected.made[-1])
    await writer.aclose()
    expected.check(path)


async def test_long_stretches_come_back_in_slices(tmp_path: Path) -> None:
    writer = await begin(tmp_path / "a.db", durable=False)
    for number in range(1, 451):
        await commit(writer, made(number))
    assert [g.group async for g in writer.groups_after(3)] == [made(n).group for n in range(4, 451)]
    await writer.aclose()


async def test_acts_are_numbered_wait_and_are_applied_once(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    first = await writer.add_act("note", "Ada", {"text": "smells of amine, 10 µL \ud800", "n": [1, 2.5, None]}, 5)
    second = await writer.add_act("ack", "Ben", {"occurrence": 7}, 6)
    waiting = await writer.pending_acts()
    assert [a.number for a in waiting] == [first, second] == [1, 2]
    assert waiting[0].body == {"text": "smells of amine, 10 µL ?", "n": [1, 2.5, None]}
    one = made(1)
    group = replace(one.group, acts=tuple(waiting))
    outcome = replace(one.outcome, acts=((first, ""), (second, "no alarm 7 stands")))
    await writer.commit(PLANT, group, outcome)
    assert await writer.pending_acts() == []
    (again,) = [g async for g in writer.groups_after(0)]
    assert again.group == group
    with pytest.raises(StoreRefused, match="act 1"):
        await writer.commit(
            PLANT, replace(made(2).group, acts=(waiting[0],)), replace(made(2).outcome, acts=((1, ""),))
        )
    with pytest.raises(StoreRefused, match="act 9"):
        await writer.commit(PLANT, made(2).group, replace(made(2).outcome, acts=((9, ""),)))
    for bad in ({"x": object()}, {"x": float("nan")}):
        with pytest.raises(StoreRefused, match="cannot be stored"):
            await writer.add_act("note", "Ada", bad, 7)
    await writer.aclose()
    with Reader(path) as reader:
        assert [(a.act.by, a.group, a.result) for a in reader.acts()] == [
            ("Ada", 1, ""),
            ("Ben", 1, "no alarm 7 stands"),
        ]
        assert [a.act.number for a in reader.acts(6, None)] == [2]
        assert reader.integrity() == ()


async def test_groups_must_follow_unless_a_gap_is_recorded(tmp_path: Path) -> None:
    writer = await begin(tmp_path / "a.db")
    await commit(writer, made(5))
    for wrong in (4, 5, 7):
        with pytest.raises(StoreRefused, match=f"Group {wrong} does not follow group 5"):
            await commit(writer, made(wrong))
    await commit(writer, made(9, gap_ms=3000))
    with pytest.raises(StoreRefused, match="does not follow"):
        await commit(writer, made(9, gap_ms=3000))
    back = made(10)
    with pytest.raises(StoreRefused, match="elapsed"):
        await commit(writer, replace(back, group=replace(back.group, elapsed_ms=8999)))
    with pytest.raises(StoreRefused, match="plant 2"):
        await commit(writer, made(10, version=2))
    with pytest.raises(StoreRefused, match="segment 2"):
        await commit(writer, made(10, segment=2))
    with pytest.raises(StoreRefused, match="outcome of group 11"):
        await commit(writer, replace(back, outcome=made(11).outcome))
    await commit(writer, back)
    assert [g.group.number async for g in writer.groups_after(0)] == [5, 9, 10]
    await writer.aclose()


async def test_a_refused_group_changes_nothing_and_the_next_one_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    expected = Expected([made(1), made(2)])
    for one in expected.made:
        await commit(writer, one)
    wrong = made(3)
    bad_count = replace(wrong.group, scans=(replace(wrong.group.scans[1], counts=(7, 0)),))
    with pytest.raises(StoreRefused, match="module di"):
        await writer.commit(PLANT, bad_count, replace(wrong.outcome, verdicts=((0, 0),)))
    too_long = Standing("B1", "low_water", "", "acknowledged", 2**70, "highest", 0, None, None, "", "")
    with pytest.raises(StoreRefused):
        await writer.commit(PLANT, wrong.group, replace(wrong.outcome, standing=(too_long,)), made(2).mails)
    other = MailRow("2>on", "another@quillmarsh.example", 1, "{}")
    with pytest.raises(StoreRefused, match="2>on"):
        await writer.commit(PLANT, wrong.group, made(3).outcome, (other,))
    expected.check(path)
    expected.made.append(wrong)
    await writer.commit(PLANT, wrong.group, wrong.outcome, made(2).mails)  # the same mail again is the same mail
    await writer.aclose()
    expected.check(path)


async def test_plant_versions_are_new_only_when_the_text_is(tmp_path: Path) -> None:
    path, text = tmp_path / "a.db", plant()
    writer = await begin(path)
    assert await writer.add_plant_version(text.text, text.sha256, START_MS + 1) == 1
    other = text.text + "# one more\n"
    import hashlib

    sha256 = hashlib.sha256(other.encode()).hexdigest()
    with pytest.raises(StoreRefused, match="SHA-256"):
        await writer.add_plant_version(other, text.sha256, START_MS + 2)
    assert await writer.add_plant_version(other, sha256, START_MS + 2) == 2
    assert await writer.add_plant_version(text.text, text.sha256, START_MS + 3) == 3
    with pytest.raises(StoreRefused, match="plant version 4"):
        await writer.plant_text(4)
    await writer.aclose()
    with Reader(path) as reader:
        assert [(v.version, v.from_ms, v.sha256) for v in reader.plant_versions()] == [
            (1, START_MS, text.sha256),
            (2, START_MS + 2, sha256),
            (3, START_MS + 3, text.sha256),
        ]


async def test_mails_wait_are_tried_again_and_end_once(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    rows = tuple(MailRow(f"k{n}", "oncall@quillmarsh.example", n, "{}") for n in range(4))
    await writer.commit(PLANT, made(1).group, made(1).outcome, rows)
    waiting = await writer.pending_mails(10, 3)
    assert [m.key for m in waiting] == ["k0", "k1", "k2"]
    await writer.mail_sent(waiting[0].id, 11)
    await writer.mail_later(waiting[1].id, 100, "451 try again")
    await writer.mail_refused(waiting[2].id, "550 no such user")
    assert [m.key for m in await writer.pending_mails(99, 9)] == ["k3"]
    later = await writer.pending_mails(100, 9)
    assert [(m.key, m.tries) for m in later] == [("k3", 0), ("k1", 1)]
    with pytest.raises(StoreRefused, match="does not wait"):
        await writer.mail_sent(waiting[0].id, 12)
    await writer.record_sent(
        MailRow("direct", "oncall@quillmarsh.example", 20, "{}"), 21, "sent while the disk was full"
    )
    await writer.record_sent(rows[3], 22, "sent by hand")
    await writer.aclose()
    with Reader(path) as reader:
        assert reader.mail_counts() == {"waiting": 1, "sent": 3, "refused": 1}
        assert [(m.key, m.state, m.note, m.done_ms) for m in reader.mails()] == [
            ("k0", "sent", "", 11),
            ("k1", "waiting", "451 try again", None),
            ("k2", "refused", "550 no such user", None),
            ("k3", "sent", "sent by hand", 22),
            ("direct", "sent", "sent while the disk was full", 21),
        ]
        assert [m.key for m in reader.mails("refused")] == ["k2"]


async def test_tasks_that_write_at_once_do_not_fall_into_each_others_transactions(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)

    async def groups() -> None:
        for number in range(1, 41):
            await commit(writer, made(number))

    async def acts() -> None:
        for n in range(40):
            await writer.add_act("note", "Ada", {"n": n}, n)

    async def refusals() -> None:
        for n in range(40):
            with pytest.raises(StoreRefused):
                await writer.mail_sent(10_000 + n, n)

    await asyncio.gather(groups(), acts(), refusals())
    assert len(await writer.pending_acts()) == 40
    await writer.aclose()
    Expected([made(n) for n in range(1, 41)]).check(path)


async def test_a_cancelled_commit_still_runs_to_its_end(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    task = asyncio.create_task(commit(writer, made(1)))
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    last = await writer.last()
    assert last is not None
    assert last.number == 1
    await writer.aclose()
    Expected([made(1)]).check(path)


@pytest.mark.parametrize(("durable", "level"), [(True, 2), (False, 1)])
async def test_settings_of_the_connection(tmp_path: Path, durable: bool, level: int) -> None:
    writer = await begin(tmp_path / "a.db", durable=durable)
    assert await writer._db.pragma("synchronous") == level  # what makes a commit survive a power cut
    assert await writer._db.pragma("journal_mode") == "wal"
    assert await writer._db.pragma("cache_size") == -512
    await writer.aclose()


async def test_events_of_the_store_are_kept(tmp_path: Path) -> None:
    writer = await begin(tmp_path / "a.db")
    await writer.add_event("reserve", "space kept back was given to the disk", 3)
    await writer.aclose()
    with Reader(tmp_path / "a.db") as reader:
        assert [(e.at_ms, e.kind, e.text) for e in reader.events()] == [
            (3, "reserve", "space kept back was given to the disk")
        ]


async def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="file/deeper"):
        await Writer.open(tmp_path / "file" / "deeper" / "a.db", owner="Quillmarsh Creamery")


async def test_a_manual_reading_that_is_no_number_is_refused_and_nothing_of_its_group_is_stored(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    one = made(4)
    bad = replace(one.outcome.manual[0], value=float("nan"))
    with pytest.raises(StoreRefused, match="manual reading of B1 wants a finite value; found nan"):
        await commit(writer, replace(one, outcome=replace(one.outcome, manual=(bad,))))
    with Reader(path) as reader:
        assert list(reader.groups()) == []
        assert list(reader.manual()) == []
    await commit(writer, one)
    await writer.aclose()
    Expected([one]).check(path)
