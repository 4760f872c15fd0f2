"""The disk fails: at every single write, for a while, or for good by a power cut. Nothing reported stored is lost."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import apsw
import pytest

from daemon.store import ledger
from daemon.store.errors import StoreBroken, StoreError, StoreFull, StoreReadOnly
from daemon.store.reserve import Reserve
from daemon.store.writer import Writer
from tests.support.faultvfs import FaultDisk
from tests.support.stores import Expected, begin, commit, made

GROUPS = 9  # with an act, alarms with mails, blows, three snapshots; several checkpoints


@pytest.fixture(autouse=True)
def early_checkpoints(monkeypatch: pytest.MonkeyPatch) -> None:
    """The log is folded in every few commits, so that failures fall there too."""
    monkeypatch.setattr(ledger, "WAL_PAGES", 6)


async def shift(writer: Writer, tries: int = 4) -> tuple[Expected, list[StoreError]]:
    """Some groups, each tried again when refused, as the service does. Returns what must be stored, and the errors."""
    expected, errors = Expected(), list[StoreError]()

    async def insist(number: int) -> None:
        act = None
        for _ in range(tries):
            try:
                if number == 4:
                    waiting = await writer.pending_acts()
                    if not waiting:
                        await writer.add_act("note", "Ada", {"text": "looked at it"}, 1)
                        waiting = await writer.pending_acts()
                    act = waiting[0]
                one = made(number, act)
                await commit(writer, one)
            except StoreError as e:
                errors.append(e)
                continue
            expected.made.append(one)
            return
        raise AssertionError(f"group {number} could not be stored: {errors}")

    for number in range(1, GROUPS + 1):
        await insist(number)
    return expected, errors


def no_space() -> Exception:
    return apsw.FullError("no space left, as told")


def input_output() -> Exception:
    return apsw.IOError("input/output error, as told")


@pytest.mark.parametrize(
    ("torn", "error", "kind"),
    [(False, input_output, StoreBroken), (True, input_output, StoreBroken), (True, no_space, StoreFull)],
    ids=["failed", "torn", "torn and full"],
)
async def test_whichever_write_fails_everything_is_stored_once_by_trying_again(
    tmp_path: Path, torn: bool, error: Callable[[], Exception], kind: type[StoreError]
) -> None:
    with FaultDisk(torn=torn) as disk:
        writer = await begin(tmp_path / "clean.db", vfs=disk.name)
        disk.count = 0
        expected, errors = await shift(writer)
        operations = disk.count
        await writer.aclose()
        expected.check(tmp_path / "clean.db")
        assert not errors
        assert operations > 5 * GROUPS
        told = 0
        for n in range(1, operations + 1):
            path = tmp_path / f"{n}.db"
            writer = await begin(path, vfs=disk.name)
            disk.fail_at(n, error)
            try:
                expected, errors = await shift(writer)
            finally:
                disk.fail = lambda number, what: None
                await writer.aclose()
            expected.check(path)
            assert len(errors) <= 1
            assert all(isinstance(e, kind) for e in errors)
            told += len(errors)
        assert told > operations / 2  # the others fell into folding in the log, which a later commit makes good


async def test_a_full_disk_refuses_groups_until_there_is_space_and_the_state_of_before_stands(tmp_path: Path) -> None:
    path, expected = tmp_path / "a.db", Expected()
    with FaultDisk() as disk:
        writer = await begin(path, vfs=disk.name)
        expected.made.append(made(1))
        await commit(writer, expected.made[0])
        disk.fail_at(1, no_space, last=10**9)
        for _ in range(5):
            with pytest.raises(StoreFull, match=r"a\.db.*Make room"):
                await commit(writer, made(2))
            with pytest.raises(StoreFull):
                await writer.add_act("ack", "Ada", {}, 1)
        last = await writer.last()
        assert last is not None
        assert last.number == 1
        assert await writer.pending_acts() == []
        expected.check(path)
        disk.fail = lambda number, what: None
        expected.made.append(made(2))
        await commit(writer, expected.made[1])
        await writer.aclose()
    expected.check(path)


async def test_a_store_opened_on_a_full_disk_gives_its_reserve(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    reserve = Reserve(path, 1 << 20)
    assert reserve.restore()
    with FaultDisk() as disk:
        disk.fail = lambda number, what: no_space() if reserve.path.exists() else None
        writer = await begin(path, reserve_bytes=1 << 20, vfs=disk.name)
        assert not writer.reserve_held
        await commit(writer, made(1))
        disk.fail = lambda number, what: None
        assert await writer.restore_reserve()
        assert writer.reserve_held
        await writer.aclose()
    Expected([made(1)]).check(path)


async def test_the_reserve_is_space_really_taken(tmp_path: Path) -> None:
    writer = await begin(tmp_path / "a.db", reserve_bytes=3 << 20)
    kept = (tmp_path / "a.db.reserve").stat()
    assert kept.st_size == 3 << 20
    assert kept.st_blocks * 512 >= 3 << 20
    assert writer.free_bytes() > 0
    assert await writer.release_reserve()
    assert not await writer.release_reserve()
    assert not writer.reserve_held
    assert await writer.restore_reserve()
    await writer.aclose()


def test_a_reserve_that_does_not_fit_is_not_half_taken(tmp_path: Path) -> None:
    reserve = Reserve(tmp_path / "a.db", 1 << 60)
    assert not reserve.restore()
    assert not reserve.held
    assert not reserve.path.exists()


async def test_a_failed_start_leaves_no_lock_and_the_next_one_succeeds(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with FaultDisk() as disk:
        writer = await begin(tmp_path / "count.db", vfs=disk.name)
        operations = disk.count
        await writer.aclose()
        failed = 0
        for n in range(1, operations + 1):
            disk.fail_at(n, input_output)
            try:
                writer = await begin(path, vfs=disk.name)
            except StoreError:
                failed += 1
            else:
                await writer.aclose()
            disk.fail = lambda number, what: None
            writer = await begin(path, vfs=disk.name)
            expected = Expected([made(1)])
            await commit(writer, expected.made[0])
            await writer.aclose()
            expected.check(path)
            for left in tmp_path.glob("a.db*"):
                left.unlink()
        assert failed > 3


async def test_after_a_power_cut_every_group_reported_stored_is_there(tmp_path: Path) -> None:
    for seed in range(40):
        folder, after = tmp_path / f"{seed}", tmp_path / f"{seed}-after"
        folder.mkdir()
        after.mkdir()
        with FaultDisk(remember=True) as disk:
            writer = await begin(folder / "a.db", vfs=disk.name)
            expected = Expected()
            disk.fail_at(3 + seed * 2, input_output, last=10**9)  # the power goes in the middle of something
            try:
                for number in range(1, 40):
                    one = made(number)
                    await commit(writer, one)
                    expected.made.append(one)
                raise AssertionError("the power did not go")
            except StoreError:
                disk.cut(after, seed)
            disk.fail = lambda number, what: None
            await writer.aclose()
        writer = await Writer.open(after / "a.db", owner="Quillmarsh Creamery", reserve_bytes=0)
        last = await writer.last()
        sure = expected.made[-1].group.number if expected.made else 0
        found = last.number if last else 0
        assert found in (sure, sure + 1)  # the one that was under way may have reached the disk whole
        expected.made.extend(made(n) for n in range(sure + 1, found + 1))
        expected.made.append(made(found + 1))
        await commit(writer, expected.made[-1])
        await writer.aclose()
        expected.check(after / "a.db")
        shutil.rmtree(folder)
        shutil.rmtree(after)


async def test_a_log_that_cannot_be_folded_in_fails_no_commit_and_is_folded_later(tmp_path: Path) -> None:
    path, expected = tmp_path / "a.db", Expected()
    with FaultDisk() as disk:
        writer = await begin(path, vfs=disk.name)
        flushed = 0

        def after_the_flush(number: int, kind: str) -> Exception | None:
            nonlocal flushed
            flushed += kind == "flush"
            return input_output() if flushed > 1 or (flushed and kind != "flush") else None

        for number in range(1, GROUPS):
            flushed, disk.fail = 0, after_the_flush
            expected.made.append(made(number))
            await commit(writer, expected.made[-1])
        assert "input/output error" in writer.fold_error
        disk.fail = lambda number, kind: None
        expected.made.append(made(GROUPS))
        await commit(writer, expected.made[-1])
        assert writer.fold_error == ""
        await writer.aclose()
    expected.check(path)


async def test_the_limit_on_file_sizes_is_told_as_no_space(tmp_path: Path) -> None:
    """A real refusal by the operating system, in a child of its own: EFBIG from write()."""
    import subprocess
    import sys

    code = """
import asyncio, resource, signal, sys
from pathlib import Path
from daemon.store.errors import StoreFull
from tests.support.stores import begin, commit, made
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
async def main():
    writer = await begin(Path(sys.argv[1]))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, hard))
    number = 0
    try:
        while number < 500:
            await commit(writer, made(number + 1))
            number += 1
    except StoreFull as e:
        print(number, e)
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    await commit(writer, made(number + 1))
    await writer.aclose()
asyncio.run(main())
"""
    path = tmp_path / "a.db"
    done = subprocess.run(  # noqa: ASYNC221
        [sys.executable, "-P", "-c", code, str(path)],
        env={"PYTHONPATH": str(Path.cwd())},
        capture_output=True,
        text=True,
        check=True,
    )
    number, _, text = done.stdout.partition(" ")
    assert "No space" in text
    Expected([made(n) for n in range(1, int(number) + 2)]).check(path)


async def test_a_disk_that_takes_no_writes_for_a_while_refuses_by_name_and_loses_nothing(tmp_path: Path) -> None:
    path, expected = tmp_path / "a.db", Expected()
    with FaultDisk() as disk:
        writer = await begin(path, vfs=disk.name)
        for number in range(1, 8):
            expected.made.append(made(number))
            if number == 4:
                disk.fail = lambda n, what: apsw.ReadOnlyError("mounted read-only, as told")
                for _ in range(3):
                    with pytest.raises(StoreReadOnly, match=r"takes no writes.*mounted for writing"):
                        await commit(writer, expected.made[-1])
                disk.fail = lambda n, what: None
            await commit(writer, expected.made[-1])
        await writer.aclose()
    expected.check(path)


@pytest.mark.skipif(os.geteuid() != 0, reason="a disk of its own takes root")
async def test_a_store_on_a_disk_mounted_read_only_is_read_and_not_opened_for_writing(tmp_path: Path) -> None:
    import subprocess

    disk, expected = tmp_path / "disk", Expected([made(1), made(2)])
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "none", disk], check=False).returncode:  # noqa: ASYNC221
        pytest.skip("this machine lets nobody mount")
    try:
        writer = await begin(disk / "a.db")
        for one in expected.made:
            await commit(writer, one)
        await writer.aclose()
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)  # noqa: ASYNC221
        with pytest.raises(StoreError, match="Read-only file system"):
            await Writer.open(disk / "a.db", owner="Quillmarsh Creamery")
        expected.check(disk / "a.db")
        subprocess.run(["mount", "-o", "remount,rw", disk], check=True)  # noqa: ASYNC221
        writer = await Writer.open(disk / "a.db", owner="Quillmarsh Creamery", reserve_bytes=0)
        expected.made.append(made(3))
        await commit(writer, expected.made[-1])
        await writer.aclose()
        expected.check(disk / "a.db")
    finally:
        subprocess.run(["umount", disk], check=True)  # noqa: ASYNC221


def test_errors_of_the_system_are_named_for_what_they_are() -> None:
    from daemon.store.errors import StoreRefused, translated

    cases = [
        (apsw.FullError(), 0, StoreFull),
        (apsw.IOError(), errno.ENOSPC, StoreFull),
        (apsw.IOError(), errno.EDQUOT, StoreFull),
        (apsw.IOError(), errno.EROFS, StoreReadOnly),
        (apsw.ReadOnlyError(), 0, StoreReadOnly),
        (apsw.IOError(), errno.EIO, StoreBroken),
        (apsw.CorruptError(), errno.ENOSPC, StoreBroken),
        (apsw.NotADBError(), 0, StoreBroken),
        (apsw.BusyError(), errno.ENOSPC, StoreBroken),
        (apsw.ConstraintError(), errno.ENOSPC, StoreRefused),
    ]
    assert [type(translated(e, "a.db", n)) for e, n, _ in cases] == [kind for _, _, kind in cases]
