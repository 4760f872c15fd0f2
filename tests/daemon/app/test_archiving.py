"""Closed days leave the store by themselves, and nothing is lost whatever happens on the way."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import sys
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from config.model import Plant
from daemon.app.archiving import JOB, Archiver, NotPutAway
from daemon.core.scan import Group
from daemon.store.archive.files import OLD, archive_folder
from daemon.store.reader import Reader
from daemon.store.records import StoredGroup
from daemon.store.writer import Writer
from tests.support.clock import HandClock
from tests.support.put_away import figures
from tests.support.stores import PLANT, START_MS, begin, commit, made

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
SHORT = PLANT.model_copy(update={"store": PLANT.store.model_copy(update={"hot": 3 * 86400.0, "low_space": 1.0})})
"""The plant with three days in the store."""


def _hourly(number: int) -> Group:
    one = made(number).group
    return replace(one, at_ms=START_MS + number * HOUR_MS, elapsed_ms=number * HOUR_MS)


async def _fill(writer: Writer, first: int, last: int) -> None:
    for n in range(first, last + 1):
        await commit(writer, replace(made(n), group=_hourly(n)))
    await figures(writer)


def _all(path: Path) -> list[StoredGroup]:
    with Reader(path) as reader:
        return list(reader.groups())


def _hot(path: Path) -> list[int]:
    with Reader(path) as reader:
        return [r[0] for r in reader.ask(lambda db: db.execute("SELECT number FROM scan_group ORDER BY 1").fetchall())]


@asynccontextmanager
async def _logger(
    path: Path, groups: int = 24 * 8, plant: Plant = SHORT
) -> AsyncIterator[tuple[Writer, Archiver, HandClock]]:
    """A store of some days of hourly groups, and the job of its service."""
    clock = HandClock(START_MS + groups * HOUR_MS)
    writer = await begin(path)
    try:
        await _fill(writer, 1, groups)
        yield writer, Archiver(writer, lambda: plant, clock, least=1), clock
    finally:
        await writer.aclose()


async def test_days_go_into_files_and_leave_the_store_a_run_later(tmp_path: Path) -> None:
    path = tmp_path / "waterside.db"
    async with _logger(path) as (writer, archiver, _clock):
        before = _all(path)
        done = await archiver.once()
        (file,) = done.put_away
        assert (file.first_group, file.last_group) == (1, file.groups)
        assert 24 * 8 - file.groups in range(72, 72 + 24 + 1)  # three days and the day that they begin in
        assert not done.removed_groups
        assert len(_hot(path)) == 24 * 8
        assert _all(path) == before
        done = await archiver.once()
        assert (done.put_away, done.removed_groups) == ([], True)
        assert _hot(path) == list(range(file.last_group + 1, 24 * 8 + 1))
        assert _all(path) == before

        await _fill(writer, 24 * 8 + 1, 24 * 9)
        done = await archiver.once()
        (grown,) = done.put_away  # the month's file with one more day in it
        assert (grown.first_group, grown.groups) == (1, file.groups + 24)
        folder = archive_folder(path)
        assert sorted(p.name for p in folder.glob("readings-*")) == sorted([grown.name, file.name + OLD])
        await archiver.once()
        assert sorted(p.name for p in folder.glob("readings-*")) == [grown.name]
        assert _all(path)[: len(before)] == before
        with Reader(path) as reader:
            assert reader.integrity() == ()


async def test_it_is_due_once_a_plant_day(tmp_path: Path) -> None:
    async with _logger(tmp_path / "waterside.db", groups=30) as (writer, archiver, clock):
        assert await archiver.due()
        await archiver.look()
        assert not await archiver.due()
        assert await writer.last_done(JOB) == clock.now_ms()
        await clock.forward(24 * 3600)
        assert await archiver.due()


async def test_a_file_that_is_damaged_keeps_its_groups_in_the_store(tmp_path: Path) -> None:
    path = tmp_path / "waterside.db"
    async with _logger(path) as (_, archiver, _clock):
        (file,) = (await archiver.once()).put_away
        place = archive_folder(path) / file.name
        whole = place.read_bytes()
        place.write_bytes(whole[:50] + b"X" + whole[51:])
        with pytest.raises(NotPutAway, match="SHA-256 is another"):
            await archiver.once()
        assert len(_hot(path)) == 24 * 8
        place.unlink()
        with pytest.raises(NotPutAway, match="is missing"):
            await archiver.once()
        assert len(_hot(path)) == 24 * 8
        place.write_bytes(whole)
        assert (await archiver.once()).removed_groups


async def test_readings_that_were_kept_long_enough_go_and_records_stay(tmp_path: Path) -> None:
    path = tmp_path / "waterside.db"
    async with _logger(path, groups=24 * 30) as (writer, archiver, _):
        with Reader(path) as reader:
            journal = list(reader.journal())
        assert [f.name[9:16] for f in (await archiver.once()).put_away] == ["2026-09", "2026-10"]
        short = SHORT.model_copy(update={"store": SHORT.store.model_copy(update={"keep": 4 * 86400.0})})
        again = Archiver(writer, lambda: short, HandClock(START_MS), least=1)
        assert (await again.once()).given_up == ["readings-2026-09-v1-000000001-000000508.parquet"]
        with Reader(path) as reader:
            assert reader.first_number() == 509  # Chicago: the first hour of October
            assert [g.group.number for g in reader.groups()] == list(range(509, 24 * 30 + 1))
            assert list(reader.journal()) == journal
            assert reader.integrity() == ()
            assert [e.kind for e in reader.events()] == ["archive file removed"]


async def test_no_room_or_no_right_to_write_loses_nothing(tmp_path: Path) -> None:
    path = tmp_path / "waterside.db"
    async with _logger(path) as (_, archiver, _clock):
        archive_folder(path).write_text("a file where the folder should be")
        before = _all(path)
        with pytest.raises(NotPutAway):
            await archiver.once()
        assert _all(path) == before
        await archiver.look()  # told, and not raised
        with Reader(path) as reader:
            assert [e.kind for e in reader.events()] == ["not put away"]
        archive_folder(path).unlink()
        assert (await archiver.once()).put_away


def _child(path: Path, *more: str) -> Sequence[str]:
    args = ("put-away", "--store", str(path), "--hot-s", str(3 * 86400), "--least", "1", *more)
    return (sys.executable, "-P", "-m", "daemon", *args)


async def test_a_process_that_is_killed_anywhere_leaves_nothing_that_matters(tmp_path: Path) -> None:
    path, chance = tmp_path / "waterside.db", random.Random(6)
    async with _logger(path) as (_, archiver, _clock):
        before = _all(path)
        for _ in range(4):
            child = await asyncio.create_subprocess_exec(
                *_child(path), stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.DEVNULL
            )
            await asyncio.sleep(chance.uniform(0.5, 1.5))
            os.kill(child.pid, signal.SIGKILL)
            await child.wait()
            assert _all(path) == before
        (file,) = (await archiver.once()).put_away
        await archiver.once()
        assert _all(path) == before
        names = {p.name for p in archive_folder(path).iterdir()}
        assert names == {file.name, ".lock", "README.txt", "plant-v1.toml", "scaling-v1.csv", "values-v1.sql"}


async def test_only_one_process_puts_away_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "waterside.db"
    async with _logger(path) as (_, archiver, _clock):
        child = await asyncio.create_subprocess_exec(
            *_child(path), stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE
        )
        assert child.stdout is not None
        assert child.stdin is not None
        assert await child.stdout.readline()  # it has a file and waits to hear that it is recorded
        with pytest.raises(NotPutAway, match="Another process"):
            await archiver.once()
        child.stdin.close()
        assert await child.wait() == 1
        assert (await archiver.once()).put_away
