"""The archive goes where its store goes: backups, restores, salvage; and doctor says what is wrong with it."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

import pytest

from daemon.app.doctor.command import examine
from daemon.store import backup, restore
from daemon.store.archive.choosing import Move
from daemon.store.archive.files import archive_folder
from daemon.store.errors import StoreBroken, StoreRefused
from daemon.store.reader import Reader
from daemon.store.salvage import salvage
from daemon.store.writer import Writer
from tests.support.put_away import drop, put
from tests.support.stores import START_MS, Expected, begin, commit, made

GROUPS = 90


def _put_away(path: Path) -> Expected:
    """A store whose first 60 groups lie in two files only."""

    async def fill() -> Expected:
        writer = await begin(path)
        try:
            expected = Expected([made(n) for n in range(1, GROUPS + 1)])
            for one in expected.made:
                await commit(writer, one)
            await put(writer, Move(1, "2026-09", 1, 40))
            await put(writer, Move(1, "2026-10", 41, 60))
            await drop(writer)
            return expected
        finally:
            await writer.aclose()

    return asyncio.run(fill())


@pytest.fixture
def store(tmp_path: Path) -> tuple[Path, Expected]:
    path = tmp_path / "a" / "waterside.db"
    return path, _put_away(path)


def test_a_backup_has_the_archive_and_is_restored_with_it(store: tuple[Path, Expected], tmp_path: Path) -> None:
    path, expected = store
    whole, manifest = backup.take(path, tmp_path / "out", START_MS, "one")
    assert manifest.findings == ()
    assert sum(name.startswith("store-archive/readings-") for name in manifest.files) == 2
    assert backup.wrong_with(whole, manifest) == ()
    expected.check(whole / "store.db")  # it can be looked at where it lies
    shutil.rmtree(path.parent)
    away = tmp_path / "elsewhere" / "w.db"
    restore.restore(whole, away, "now")
    expected.check(away)

    async def go_on() -> None:
        writer = await Writer.open(away, owner="Quillmarsh Creamery", reserve_bytes=0)
        expected.made.append(made(GROUPS + 1))
        await commit(writer, expected.made[-1])
        await writer.aclose()

    asyncio.run(go_on())
    expected.check(away)
    with pytest.raises(StoreRefused, match="is there already"):
        restore.restore(whole, away, "later")
    done = restore.restore(whole, away, "later", replace=True)
    assert {p.name for p in done.aside} >= {"w.db.before-later", "w.db.before-later-archive"}


def test_a_backup_with_a_changed_archive_file_is_not_restored(store: tuple[Path, Expected], tmp_path: Path) -> None:
    path, _ = store
    whole, manifest = backup.take(path, tmp_path / "out", START_MS, "one")
    file = next(archive_folder(whole / "store.db").glob("readings-*"))
    file.write_bytes(file.read_bytes()[:-1] + b"x")
    assert "its SHA-256 is another" in backup.wrong_with(whole, manifest)[0]
    with pytest.raises(StoreBroken, match="Nothing was restored"):
        restore.restore(whole, tmp_path / "b.db", "now")


def test_a_backup_of_a_store_with_a_missing_file_is_made_and_says_so(
    store: tuple[Path, Expected], tmp_path: Path
) -> None:
    path, _ = store
    next(archive_folder(path).glob("readings-2026-10-*")).unlink()
    _, manifest = backup.take(path, tmp_path / "out", START_MS, "one")
    (said,) = manifest.findings
    assert "is missing: polls 41 to 60" in said


def test_what_is_salvaged_has_the_archive_too(store: tuple[Path, Expected], tmp_path: Path) -> None:
    path, expected = store
    to = tmp_path / "new" / "saved.db"
    done = salvage(path, to, START_MS)
    assert (done.missing, done.notes, done.findings) == ([], [], ())
    with Reader(to) as reader:
        assert [s.group for s in reader.groups()] == [m.group for m in expected.made]
        assert reader.clock_segments()[0].first_group == 1


def test_doctor_reads_every_file_and_names_those_that_are_not_whole(store: tuple[Path, Expected]) -> None:
    path, _ = store
    found = [f for f in examine(path, offline=True).findings if f.area == "archive"]
    assert [f.level for f in found] == ["note"]
    assert "all as they were written" in found[0].text
    first, second = sorted(archive_folder(path).glob("readings-*"))
    second.rename(second.with_name("readings-2026-10-v9-000000041-000000060.parquet"))
    first.write_bytes(first.read_bytes()[:-1] + b"x")
    report = examine(path, offline=True)
    errors = [f for f in report.findings if (f.area, f.level) == ("archive", "error")]
    assert "SHA-256 is another; it holds polls 1 to 40" in errors[0].text
    assert "is missing; it holds polls 41 to 60" in errors[1].text
    assert all("from a backup" in f.remedy for f in errors)
    (strange,) = [f for f in report.findings if (f.area, f.level) == ("archive", "warning")]
    assert "readings-2026-10-v9" in strange.text
    assert report.exit_code == 1


def test_a_later_edit_of_a_files_record_shows_in_the_chain(store: tuple[Path, Expected]) -> None:
    path, _ = store
    import apsw

    db = apsw.Connection(str(path))
    db.execute("UPDATE archive_file SET sha256 = upper(sha256) WHERE id = 1")
    db.close()
    with Reader(path) as reader:
        assert reader.integrity() == ("archive_file 1 was changed after it was written, or the chain before it was",)
