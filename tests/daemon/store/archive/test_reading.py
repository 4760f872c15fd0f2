"""What was put into files is read again exactly: groups, acts, journal, dates, single tags, across the seam."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.core.scan import Scan
from daemon.store.archive.choosing import Move
from daemon.store.archive.files import archive_folder
from daemon.store.errors import StoreBroken
from daemon.store.history import History
from daemon.store.reader import Reader
from daemon.store.records import StoredGroup
from daemon.store.writer import Writer
from tests.support.put_away import drop, put
from tests.support.stores import PLANT, START_MS, begin, commit, made

GROUPS = 330
SEPT = "2026-09"


def _whole(path: Path) -> list[StoredGroup]:
    with Reader(path) as reader:
        return list(reader.groups())


async def _filled(path: Path) -> Writer:
    writer = await begin(path)
    act = None
    for n in range(1, GROUPS + 1):
        if n == 40:
            number = await writer.add_act("note", "J. Ortiz", {"text": "sampled by hand"}, START_MS)
            act = (await writer.pending_acts())[0]
            assert act.number == number
        await commit(writer, made(n, act if n == 40 else None, gap_ms=5000 if n == 77 else 0))
    return writer


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[StoredGroup]]:
    """A store whose groups 1 to 250 lie in two files, and all its groups as they were before."""
    path = tmp_path_factory.mktemp("kept") / "waterside.db"

    async def fill() -> list[StoredGroup]:
        writer = await _filled(path)
        try:
            before = _whole(path)
            first = await put(writer, Move(1, SEPT, 1, 120))
            assert _whole(path) == before  # both hold them
            await put(writer, Move(1, SEPT, 121, 200, first))
            await put(writer, Move(1, "2026-10", 201, 250))
            await drop(writer)
            return before
        finally:
            await writer.aclose()

    return path, asyncio.run(fill())


def test_every_group_is_given_again_to_the_byte(kept: tuple[Path, list[StoredGroup]]) -> None:
    path, before = kept
    with Reader(path, slice_rows=7) as reader:
        assert reader.ask(lambda db: db.execute("SELECT min(number) FROM scan_group").get) == 251
        assert [f.groups for f in reader.archive()] == [200, 50]
        assert list(reader.groups()) == before
        assert list(reader.groups_after(0)) == before
        assert list(reader.groups_before(GROUPS)) == before[::-1]
        assert reader.first_number() == 1
        assert [reader.group(n) for n in (1, 40, 200, 201, 250, 251)] == [
            before[n - 1] for n in (1, 40, 200, 201, 250, 251)
        ]
        assert before[39].group.acts[0].body["text"] == "sampled by hand"
        assert reader.integrity() == ()


@pytest.mark.parametrize(("a", "b"), [(0, 330), (5, 6), (119, 121), (198, 203), (245, 260), (300, 330), (250, 251)])
def test_a_stretch_of_time_is_the_same_over_the_seam(kept: tuple[Path, list[StoredGroup]], a: int, b: int) -> None:
    path, before = kept
    with Reader(path) as reader:
        low = before[a].group.at_ms
        high = before[b].group.at_ms if b < GROUPS else None
        assert list(reader.groups(low, high)) == before[a:b]
        assert reader.last_at(low) == (a + 1,)


@pytest.mark.parametrize("tag", ["ai.a", "ai.e", "ai.f", "ai.g", "ai.i", "di.y"])
def test_one_tag_is_read_as_from_the_groups(kept: tuple[Path, list[StoredGroup]], tag: str) -> None:
    path, before = kept
    module, channel = next(
        (m, list(x.channels).index(tag[3:])) for m, x in enumerate(PLANT.modules) if x.name == tag[:2]
    )
    with Reader(path) as reader:
        found = [(s.at_ms, s.value, s.reason) for s in History(reader).range(tag, START_MS, START_MS + 10**9)]
    plainly = [
        (g.group.at_ms, s.counts[channel], v[channel])
        for g in before
        for s, v in zip(g.group.scans, g.verdicts, strict=True)
        if s.module == module
    ]
    assert found == plainly
    assert len(found) == GROUPS


async def test_what_columns_cannot_hold_is_kept_as_bytes(tmp_path: Path) -> None:
    """A module asked twice, modules out of order, a reason that is not the verdict, a float32 that needs more."""
    path = tmp_path / "waterside.db"
    writer = await begin(path)
    try:
        odd = []
        for n in range(1, 6):
            one = made(n)
            a, b = one.group.scans
            scans, verdicts = one.group.scans, one.outcome.verdicts
            if n == 1:
                scans, verdicts = (a, b, b), (*verdicts, verdicts[1])
            if n == 2:
                scans, verdicts = (b, a), verdicts[::-1]
            if n == 3:
                scans, verdicts = (a, Scan(1, (None, 1), (7, 0), 3)), (verdicts[0], (54, 0))
            if n == 4:
                scans = (replace(a, counts=(*a.counts[:5], 0.1, *a.counts[6:])), b)
            odd.append(
                replace(one, group=replace(one.group, scans=scans), outcome=replace(one.outcome, verdicts=verdicts))
            )
        for one in odd:
            await commit(writer, one)
        before = _whole(path)
        assert [s.group for s in before] == [m.group for m in odd]
        await put(writer, Move(1, SEPT, 1, 4))
        await drop(writer)
        assert _whole(path) == before
        with Reader(path) as reader:
            values = [s.value for s in History(reader).range("ai.f", START_MS, START_MS + 10**9)]
            assert values[3] == 0.1
            assert len([*History(reader).range("di.x", START_MS, START_MS + 10**9)]) == 6
    finally:
        await writer.aclose()


def test_a_missing_file_says_which_stretch_is_missing_and_the_rest_is_read(
    kept: tuple[Path, list[StoredGroup]],
) -> None:
    path, before = kept
    with Reader(path) as reader:
        file = archive_folder(path) / reader.archive()[0].name
    away = file.with_suffix(".away")
    file.rename(away)
    try:
        with Reader(path) as reader:
            with pytest.raises(StoreBroken, match=r"is missing. It holds polls 1 to 200, 2026-09-10 to 2026-09-10"):
                list(reader.groups())
            assert list(reader.groups(before[200].group.at_ms)) == before[200:]
    finally:
        away.rename(file)


def test_a_damaged_file_is_told_as_such(kept: tuple[Path, list[StoredGroup]]) -> None:
    path, before = kept
    with Reader(path) as reader:
        file = archive_folder(path) / reader.archive()[0].name
    was = file.read_bytes()
    file.write_bytes(was[:-200] + bytes(200))
    try:
        with Reader(path) as reader, pytest.raises(StoreBroken, match="was changed after it was written"):
            list(reader.groups())
    finally:
        file.write_bytes(was)
    assert _whole(path) == before
