"""From a damaged store everything readable is taken over: what is not on the damaged pages is there, unchanged."""

from __future__ import annotations

import random
import shutil
from pathlib import Path
from typing import Any

import apsw
import pytest

from daemon.store import schema
from daemon.store.btree import Pages
from daemon.store.errors import StoreBusy, StoreRefused, StoreUnknown
from daemon.store.query import every
from daemon.store.reader import Reader
from daemon.store.records import Dealt
from daemon.store.salvage import salvage
from daemon.store.writer import Writer
from tests.daemon.store.test_schema import of_version
from tests.support.stores import START_MS, Expected, begin, commit, made

GROUPS = 400
PAGE = 4096
TABLES = ("scan_group", "journal", "standing", "blow", "act", "outbox", "snapshot", "calibration", "manual_reading",
          "chain", "plant_version", "clock_segment", "clock_correction", "notice", "dealer")  # fmt: skip


async def filled(path: Path, groups: int = GROUPS) -> Expected:
    writer = await begin(path)
    expected = Expected([made(n) for n in range(1, groups + 1)])
    await writer.add_act("note", "Ada", {"text": "long " * 3000}, START_MS)  # a row that overflows its page
    for one in expected.made:
        await commit(writer, one)
    await writer.add_event("a thing", "happened", START_MS)
    await writer.deal(Dealt(kept={f"call {n}": '{"told":["Ana"]}' for n in range(20)}), START_MS)
    await writer.aclose()
    return expected


def content(path: Path) -> dict[str, set[tuple[Any, ...]]]:
    db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    try:
        polls = "number, segment, elapsed_ms, at_ms, plant, body, derived"  # gap_ms tells of what was lost
        return {t: set(every(db, f"SELECT {polls if t == 'scan_group' else '*'} FROM {t}")) for t in TABLES}
    finally:
        db.close()


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    import asyncio

    path = tmp_path_factory.mktemp("salvage") / "a.db"
    asyncio.run(filled(path))
    return path


def damaged(sound: Path, path: Path, pages: list[int], chance: random.Random) -> Path:
    data = bytearray(sound.read_bytes())
    for page in pages:
        data[(page - 1) * PAGE : page * PAGE] = chance.randbytes(PAGE)
    path.write_bytes(data)
    return path


def test_a_sound_store_is_taken_over_whole(sound: Path, tmp_path: Path) -> None:
    done = salvage(sound, tmp_path / "b.db", START_MS)
    assert content(tmp_path / "b.db") == content(sound)
    assert (done.missing, done.unread_pages, done.notes, done.findings) == ([], 0, [], ())
    Expected([made(n) for n in range(1, GROUPS + 1)]).check(tmp_path / "b.db")
    with Reader(tmp_path / "b.db") as reader:
        assert [e.kind for e in reader.events()] == ["a thing", "salvaged"]


@pytest.mark.parametrize("seed", range(25))
async def test_whatever_pages_are_damaged_all_others_are_taken_over_unchanged(
    sound: Path, tmp_path: Path, seed: int
) -> None:
    chance = random.Random(seed)
    count = sound.stat().st_size // PAGE
    hit = chance.sample(range(1, count + 1), 1 + seed % 4)
    path = damaged(sound, tmp_path / "a.db", hit, chance)
    before = path.read_bytes()
    done = salvage(path, tmp_path / "b.db", START_MS)
    assert path.read_bytes() == before
    was, now = content(sound), content(tmp_path / "b.db")
    with Pages(sound) as pages:
        roots = pages.tables()
        for table in TABLES:
            moved = {"clock_segment", "plant_version"}  # told anew from what hangs on them
            assert now[table] <= was[table] or table in moved, table
            leaves = list(pages.leaves(roots[table]))
            kept = [row for page in leaves if page not in hit for row in pages.rows(page)]
            if table in ("scan_group", "snapshot") and not now["plant_version"]:
                assert not now[table]  # nobody could read them
            elif table == "snapshot" and max(r[0] for r in now["scan_group"]) < GROUPS:
                continue  # states of after the last poll are left out
            elif not any(p in hit for p in overflow(pages, roots[table])):
                assert len(now[table]) >= len(kept), (table, hit)
    if not now["plant_version"]:
        assert any("is lost" in note for note in done.notes)
        return
    lost = {r[0] for r in was["scan_group"]} - {r[0] for r in now["scan_group"]}
    told = {n for a, b in done.missing for n in range(a, b + 1)}
    inside = range(min(r[0] for r in now["scan_group"]), max(r[0] for r in now["scan_group"]))
    assert told == {n for n in lost if n in inside}
    writer = await Writer.open(tmp_path / "b.db", owner="Quillmarsh Creamery", reserve_bytes=0)
    last = await writer.last()
    assert last is not None
    if now["plant_version"]:
        await commit(writer, made(last.number + 1))
    await writer.aclose()


def overflow(pages: Pages, root: int) -> set[int]:
    """Every page that is none of a tree: overflowing rows live there. For one table it is enough to know them all."""
    trees = {p for r in (1, *pages.tables().values()) for p in pages.leaves(r)}
    return {p for p in range(2, pages.count + 1) if p not in trees and pages._kind(p) not in (5, 2, 10, 13)}


def test_the_way_from_the_root_is_not_needed(sound: Path, tmp_path: Path) -> None:
    with Pages(sound) as pages:
        roots = pages.tables()
        nodes = [roots[t] for t in ("scan_group", "journal", "chain") if pages._kind(roots[t]) == 5]
    assert len(nodes) == 3
    for hit in ([1], nodes, [1, *nodes]):
        path = damaged(sound, tmp_path / "a.db", hit, random.Random(1))
        done = salvage(path, tmp_path / "b.db", START_MS)
        now, was = content(tmp_path / "b.db"), content(sound)
        for table in ("scan_group", "journal", "chain", "outbox", "calibration", "plant_version"):
            assert now[table] == was[table], (hit, table)
        assert done.missing == []
        (tmp_path / "b.db").unlink()


def test_a_file_cut_short_gives_what_is_left(sound: Path, tmp_path: Path) -> None:
    with Pages(sound) as pages:
        leaves = sorted(pages.leaves(pages.tables()["scan_group"]))
        left = {number for page in leaves[:-3] for number, _ in pages.rows(page)}
    (tmp_path / "a.db").write_bytes(sound.read_bytes()[: leaves[-3] * PAGE - 100])
    done = salvage(tmp_path / "a.db", tmp_path / "b.db", START_MS)
    assert done.findings
    with Reader(tmp_path / "b.db") as reader:
        assert {s.group.number for s in reader.groups()} == left
    assert 0 < len(left) < GROUPS


async def test_what_is_still_in_the_log_is_taken_over_too(tmp_path: Path) -> None:
    writer = await begin(tmp_path / "a.db")
    for n in range(1, 6):
        await commit(writer, made(n))
    for end in ("", "-wal"):
        shutil.copyfile(tmp_path / f"a.db{end}", tmp_path / f"killed.db{end}")
    await writer.aclose()
    assert (tmp_path / "killed.db-wal").stat().st_size
    done = salvage(tmp_path / "killed.db", tmp_path / "b.db", START_MS)
    assert done.log_read
    Expected([made(n) for n in range(1, 6)]).check(tmp_path / "b.db")


async def test_an_earlier_schema_is_salvaged_and_brought_forward(tmp_path: Path) -> None:
    of_version(1, tmp_path / "a.db")
    done = salvage(tmp_path / "a.db", tmp_path / "b.db", START_MS)
    assert (done.rows["scan_group"], done.findings) == (12, ())
    db = apsw.Connection(str(tmp_path / "b.db"))
    assert schema.version_of(db) == len(schema.STEPS)
    db.close()


async def test_what_is_removed_stays_removed(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    await filled(path)
    db = apsw.Connection(str(path))
    db.execute("DELETE FROM journal WHERE id > 20; DELETE FROM snapshot")
    db.close()
    salvage(path, tmp_path / "b.db", START_MS)
    assert content(tmp_path / "b.db") == content(path)


async def test_it_touches_nothing_that_is_in_use_or_there(tmp_path: Path) -> None:
    writer = await begin(tmp_path / "a.db")
    with pytest.raises(StoreBusy, match="Stop it first"):
        salvage(tmp_path / "a.db", tmp_path / "b.db", START_MS)
    await writer.aclose()
    (tmp_path / "b.db").write_text("mine")
    with pytest.raises(StoreRefused, match="there already"):
        salvage(tmp_path / "a.db", tmp_path / "b.db", START_MS)
    (tmp_path / "text").write_text("minutes of the meeting\n" * 900)
    with pytest.raises(StoreUnknown, match="Nothing of a store"):
        salvage(tmp_path / "text", tmp_path / "c.db", START_MS)
    (tmp_path / "empty").write_bytes(b"")
    with pytest.raises(StoreUnknown, match="Nothing of a store"):
        salvage(tmp_path / "empty", tmp_path / "c.db", START_MS)
    assert sorted(p.name for p in tmp_path.iterdir() if "a.db" not in p.name) == ["b.db", "empty", "text"]


def altered(sound: Path, path: Path, page: int, sector: int, data: bytes) -> None:
    whole = bytearray(sound.read_bytes())
    at = (page - 1) * PAGE + 512 * sector
    whole[at : at + 512] = data
    path.write_bytes(whole)


def test_a_page_damaged_in_part_gives_no_altered_poll_and_stops_no_reader(sound: Path, tmp_path: Path) -> None:
    with Pages(sound) as pages:
        leaves = sorted(pages.leaves(pages.tables()["scan_group"]))
    there = {n: made(n) for n in range(1, GROUPS + 1)}
    chance = random.Random(3)
    for k in range(48):
        sector = b"\0" * 512 if k % 2 else chance.randbytes(512)
        altered(sound, tmp_path / "a.db", chance.choice(leaves), k % 8, sector)
        done = salvage(tmp_path / "a.db", tmp_path / "b.db", START_MS)
        with Reader(tmp_path / "b.db") as reader:
            stored = list(reader.groups())
        assert len(stored) == done.rows["scan_group"] > GROUPS // 2
        for s in stored:
            want = there[s.group.number]
            assert (s.group.scans, s.verdicts) == (want.group.scans, want.outcome.verdicts)
        assert len(stored) == GROUPS or done.missing or done.unread_pages or done.notes
        (tmp_path / "b.db").unlink()


def test_the_poll_after_lost_ones_says_for_how_long_nothing_is_known(sound: Path, tmp_path: Path) -> None:
    with Pages(sound) as pages:
        lost = sorted(pages.leaves(pages.tables()["scan_group"]))[3]
    done = salvage(damaged(sound, tmp_path / "a.db", [lost], random.Random(1)), tmp_path / "b.db", START_MS)
    ((first, last),) = done.missing
    with Reader(tmp_path / "b.db") as reader:
        gaps = {s.group.number: s.group.gap_ms for s in reader.groups() if s.group.gap_ms}
    assert gaps == {last + 1: (last - first + 2) * 1000}


def test_polls_whose_plant_file_is_lost_are_left_out_and_counted(sound: Path, tmp_path: Path) -> None:
    with Pages(sound) as pages:
        leaves = list(pages.leaves(pages.tables()["plant_version"]))
    done = salvage(damaged(sound, tmp_path / "a.db", leaves, random.Random(1)), tmp_path / "b.db", START_MS)
    assert f"{GROUPS} polls are left out: plant file version 1, by which they are read, is lost" in done.notes
    with Reader(tmp_path / "b.db") as reader:
        assert list(reader.groups()) == []
        assert len(list(reader.journal())) == GROUPS // 3


@pytest.mark.parametrize("cut", [0, 100], ids=["whole", "its last write torn"])
async def test_the_log_is_taken_over_though_sqlite_refuses_the_file(tmp_path: Path, cut: int) -> None:
    writer = await begin(tmp_path / "a.db")
    for n in range(1, 400):
        await commit(writer, made(n))
    await writer.aclose()
    writer = await Writer.open(tmp_path / "a.db", owner="Quillmarsh Creamery", reserve_bytes=0)
    for n in range(400, 402):
        await commit(writer, made(n))
    log = (tmp_path / "a.db-wal").read_bytes()
    data = (tmp_path / "a.db").read_bytes()
    await writer.aclose()
    (tmp_path / "killed.db").write_bytes(random.Random(1).randbytes(PAGE) + data[PAGE:])
    (tmp_path / "killed.db-wal").write_bytes(log[: len(log) - cut])
    done = salvage(tmp_path / "killed.db", tmp_path / "b.db", START_MS)
    assert done.log_read
    Expected([made(n) for n in range(1, 402 if not cut else 401)]).check(tmp_path / "b.db")
