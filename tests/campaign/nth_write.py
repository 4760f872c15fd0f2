"""Every single write, truncation and flush of the disk fails once, and the power goes at every single one.

A shift of groups is stored with acts, alarms, mails, blows, calibrations, snapshots and several foldings of the log.

- Failed: the Nth operation ends in an error (an I/O error; the same with half of the bytes on the disk; no space with
  half of the bytes on the disk). The caller tries again, as the service does. Then everything must be there, once.
- Cut: from the Nth operation on nothing reaches the disk any more, and of what was written since the last flush any
  sectors may be missing. Then everything reported stored must be there, unaltered, and the store must go on.
"""

from __future__ import annotations

import asyncio
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from daemon.store import ledger
from daemon.store.errors import StoreError
from daemon.store.writer import Writer
from tests.daemon.store.test_faults import input_output, no_space
from tests.support.faultvfs import FaultDisk
from tests.support.stores import Expected, begin, commit, made

Kind = tuple[str, bool, Callable[[], Exception]]
KINDS: tuple[Kind, ...] = (
    ("failed", False, input_output),
    ("torn", True, input_output),
    ("torn and full", True, no_space),
)
PLACE = "/dev/shm" if Path("/dev/shm").is_dir() else None  # in memory: what a flush means is played here anyway
WAL_PAGES = 6  # the log is folded in every few commits, so that failures fall there too


async def shift(writer: Writer, groups: int) -> tuple[Expected, int]:
    """Store groups, each tried again when refused; what must be there, and how often something was refused."""
    expected, refused = Expected(), 0
    for number in range(1, groups + 1):
        one = made(number)
        for _ in range(4):
            try:
                await commit(writer, one)
            except StoreError:
                refused += 1
            else:
                expected.made.append(one)
                break
        else:
            raise AssertionError(f"group {number} could not be stored in four tries")
    return expected, refused


async def operations(folder: Path, groups: int) -> int:
    """How many writes, truncations and flushes the shift takes when nothing fails."""
    with FaultDisk() as disk:
        writer = await begin(folder / "count.db", vfs=disk.name)
        disk.count = 0
        expected, _ = await shift(writer, groups)
        count = disk.count
        await writer.aclose()
    expected.check(folder / "count.db")
    return count


async def fail_one(path: Path, kind: Kind, n: int, groups: int) -> int:
    """The Nth operation fails; raises AssertionError for anything lost, doubled or altered. How often it was told."""
    _, torn, error = kind
    with FaultDisk(torn=torn) as disk:
        writer = await begin(path, vfs=disk.name)
        disk.fail_at(n, error)
        try:
            expected, refused = await shift(writer, groups)
        finally:
            disk.fail = lambda number, what: None
            await writer.aclose()
    expected.check(path)
    return refused


async def cut_at(folder: Path, n: int, seeds: int, groups: int) -> int:
    """The power goes at the Nth operation; some of the states the disk may be in then. How many were looked at."""
    before = folder / "before"
    before.mkdir()
    with FaultDisk(remember=True) as disk:
        writer = await begin(before / "a.db", vfs=disk.name)
        expected = Expected()
        disk.fail_at(n, input_output, last=10**9)
        try:
            for number in range(1, groups + 1):
                one = made(number)
                await commit(writer, one)
                expected.made.append(one)
        except StoreError:
            pass
        for seed in range(seeds):
            (folder / f"{seed}").mkdir()
            disk.cut(folder / f"{seed}", n * 1000 + seed)
        disk.fail = lambda number, what: None
        await writer.aclose()
    sure = len(expected.made)
    for seed in range(seeds):
        path = folder / f"{seed}" / "a.db"
        writer = await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
        last = await writer.last()
        found = last.number if last else 0
        assert found in (sure, sure + 1), f"cut at {n}, state {seed}: {sure} were reported, {found} are there"
        there = Expected([made(k) for k in range(1, found + 2)])
        await commit(writer, there.made[-1])
        await writer.aclose()
        there.check(path)
    return seeds


async def campaign(folder: Path, groups: int, step: int, seeds: int) -> dict[str, object]:
    """Every `step`th operation in each way."""
    wrong: list[str] = []
    count = await operations(folder, groups)
    failures = told = cuts = 0
    for kind in KINDS:
        for n in range(1, count + 1, step):
            path = folder / "f.db"
            try:
                told += await fail_one(path, kind, n, groups)
            except AssertionError as e:
                wrong.append(f"{kind[0]} at {n}: {str(e)[:200]}")
            failures += 1
            for left in folder.glob("f.db*"):
                left.unlink()
        print(f"{kind[0]}: {failures} so far", file=sys.stderr, flush=True)
    for n in range(1, count + 1, step):
        place = folder / "cut"
        place.mkdir()
        try:
            cuts += await cut_at(place, n, seeds, groups)
        except AssertionError as e:
            wrong.append(str(e)[:200])
        shutil.rmtree(place)
    return {
        "passed": not wrong and told > 0,
        "wrong": wrong[:10],
        "groups": groups,
        "operations": count,
        "failures": failures,
        "told": told,
        "power_cuts": cuts,
    }


def main(quick: bool) -> dict[str, object]:
    """Every operation of 24 groups, four states a power cut; with `quick` every seventh of 9, two states."""
    before, ledger.WAL_PAGES = ledger.WAL_PAGES, WAL_PAGES  # type: ignore[misc]
    try:
        with tempfile.TemporaryDirectory(prefix="waterside-nth-", dir=PLACE) as folder:
            return asyncio.run(campaign(Path(folder), *((9, 7, 2) if quick else (24, 1, 4))))
    finally:
        ledger.WAL_PAGES = before  # type: ignore[misc]
