"""A backup is the store at one instant, whole or not there; what was changed in it is found before it is used."""

from __future__ import annotations

import asyncio
import json
import os
from pathlib import Path

import apsw
import pytest

from daemon.store import backup, restore
from daemon.store.errors import StoreBroken, StoreBusy, StoreFull, StoreRefused, StoreUnknown
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.daemon.store.test_schema import of_version
from tests.support.stores import START_MS, TEXT, Expected, begin, commit, made


async def filled(path: Path, groups: int = 12) -> Expected:
    writer = await begin(path)
    expected = Expected([made(n) for n in range(1, groups + 1)])
    for one in expected.made:
        await commit(writer, one)
    await writer.aclose()
    return expected


def taken(tmp_path: Path) -> Path:
    return backup.take(tmp_path / "a.db", tmp_path / "out", START_MS, "one")[0]


async def test_a_backup_is_restored_elsewhere_and_the_service_goes_on_with_it(tmp_path: Path) -> None:
    expected = await filled(tmp_path / "a.db")
    whole, manifest = backup.take(tmp_path / "a.db", tmp_path / "out", START_MS, "one", "0.1.0")
    assert sorted(p.name for p in whole.iterdir()) == ["manifest.json", "plant.toml", "store.db"]
    assert (whole / "plant.toml").read_text() == TEXT
    assert (manifest.plant, manifest.plant_version, manifest.last_group) == ("Quillmarsh Creamery", 1, 12)
    assert manifest.last_at_ms == START_MS + 12_000
    assert (manifest.rows["scan_group"], manifest.findings) == (12, ())
    with Reader(tmp_path / "a.db") as reader:
        assert (manifest.records, manifest.head) == reader.head()
    assert backup.read_manifest(whole) == manifest
    away = tmp_path / "elsewhere" / "w.db"
    done = restore.restore(whole, away, "now")
    assert (done.store, done.aside) == (away, ())
    expected.check(away)
    writer = await Writer.open(away, owner="Quillmarsh Creamery", reserve_bytes=0)
    expected.made.append(made(13))
    await commit(writer, expected.made[-1])
    await writer.aclose()
    expected.check(away)


async def test_a_running_service_goes_on_storing_and_the_copy_is_one_instant(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backup, "PAGES", 1)
    writer = await begin(tmp_path / "a.db")
    for n in range(1, 30):
        await commit(writer, made(n))
    loop, steps = asyncio.get_running_loop(), 0

    def between(done: int, of: int) -> None:
        """A commit after each page that is copied."""
        nonlocal steps
        steps += 1
        asyncio.run_coroutine_threadsafe(commit(writer, made(29 + steps)), loop).result()

    whole, manifest = await asyncio.to_thread(
        backup.take, tmp_path / "a.db", tmp_path / "out", START_MS, "one", "", between
    )
    last = await writer.last()
    await writer.aclose()
    assert steps > 10
    assert last is not None
    assert (manifest.last_group, last.number) == (29, 29 + steps)
    Expected([made(n) for n in range(1, 30)]).check(restore.restore(whole, tmp_path / "b.db", "now").store)
    Expected([made(n) for n in range(1, 30 + steps)]).check(tmp_path / "a.db")


async def test_a_backup_that_could_not_be_finished_leaves_nothing(tmp_path: Path) -> None:
    await filled(tmp_path / "a.db")

    def broken_off(done: int, of: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        backup.take(tmp_path / "a.db", tmp_path / "out", START_MS, "one", "", broken_off)
    assert list((tmp_path / "out").iterdir()) == []
    (tmp_path / "out" / "one.part").mkdir()  # what a killed one left
    (tmp_path / "out" / "one.part" / "store.db").write_text("half")
    assert taken(tmp_path).name == "one"
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["one"]
    with pytest.raises(FileExistsError):
        taken(tmp_path)


@pytest.mark.parametrize("name", ["store.db", "plant.toml"])
@pytest.mark.parametrize("how", ["changed", "cut", "gone"])
async def test_a_backup_that_was_changed_is_not_restored(tmp_path: Path, name: str, how: str) -> None:
    await filled(tmp_path / "a.db")
    file = taken(tmp_path) / name
    data = bytearray(file.read_bytes())
    data[len(data) // 2] ^= 1
    if how == "gone":
        file.unlink()
    else:
        file.write_bytes(data if how == "changed" else data[:-1])
    with pytest.raises(StoreBroken, match=rf"{name}.*Nothing was restored"):
        restore.restore(file.parent, tmp_path / "b.db", "now")
    assert not (tmp_path / "b.db").exists()


async def test_a_record_edited_later_is_in_the_manifest_and_such_a_backup_is_not_restored(tmp_path: Path) -> None:
    await filled(tmp_path / "a.db")
    db = apsw.Connection(str(tmp_path / "a.db"))
    db.execute("UPDATE journal SET value = 1 WHERE id = 2")
    db.close()
    whole, manifest = backup.take(tmp_path / "a.db", tmp_path / "out", START_MS, "one")
    assert len(manifest.findings) == 1
    assert "journal 2 was changed" in manifest.findings[0]
    with pytest.raises(StoreBroken, match=r"journal 2 was changed.*--salvage-to"):
        restore.restore(whole, tmp_path / "b.db", "now")
    assert not list(tmp_path.glob("b.db.restoring"))


async def test_what_is_in_the_way_stays_and_is_renamed_only_when_told(tmp_path: Path) -> None:
    expected = await filled(tmp_path / "a.db")
    whole = taken(tmp_path)
    other = await filled(tmp_path / "b.db", 5)
    with pytest.raises(StoreRefused, match=r"b\.db is there already.*--replace"):
        restore.restore(whole, tmp_path / "b.db", "now")
    other.check(tmp_path / "b.db")
    done = restore.restore(whole, tmp_path / "b.db", "now", replace=True)
    assert tmp_path / "b.db.before-now" in done.aside
    expected.check(tmp_path / "b.db")
    other.check(tmp_path / "b.db.before-now")


async def test_a_log_left_beside_is_in_the_way_too(tmp_path: Path) -> None:
    await filled(tmp_path / "a.db")
    (tmp_path / "b.db-wal").write_bytes(b"of another store")
    with pytest.raises(StoreRefused, match=r"b\.db-wal is there already"):
        restore.restore(taken(tmp_path), tmp_path / "b.db", "now")


async def test_a_store_in_use_is_never_replaced(tmp_path: Path) -> None:
    await filled(tmp_path / "a.db")
    whole = taken(tmp_path)
    writer = await begin(tmp_path / "b.db")
    with pytest.raises(StoreBusy, match="in use by process"):
        restore.restore(whole, tmp_path / "b.db", "now", replace=True)
    await commit(writer, made(1))
    await writer.aclose()
    Expected([made(1)]).check(tmp_path / "b.db")


async def test_what_is_no_backup_is_said_so(tmp_path: Path) -> None:
    await filled(tmp_path / "a.db")
    with pytest.raises(StoreUnknown, match="is no backup"):
        restore.restore(tmp_path, tmp_path / "b.db", "now")
    manifest = taken(tmp_path) / "manifest.json"
    said = json.loads(manifest.read_text())
    manifest.write_text(json.dumps(said | {"format": 9}))
    with pytest.raises(StoreUnknown, match="format 9"):
        restore.restore(manifest.parent, tmp_path / "b.db", "now")
    manifest.write_text("{")
    with pytest.raises(StoreBroken, match="damaged"):
        restore.restore(manifest.parent, tmp_path / "b.db", "now")


async def test_a_store_of_an_earlier_program_is_backed_up_before_it_is_brought_forward(tmp_path: Path) -> None:
    of_version(1, tmp_path / "a.db")
    whole, manifest = backup.take(tmp_path / "a.db", tmp_path / "out", START_MS, "one")
    assert (manifest.schema, manifest.last_group, manifest.findings) == (1, 12, ())
    restore.restore(whole, tmp_path / "b.db", "now")
    writer = await Writer.open(tmp_path / "b.db", owner="Quillmarsh Creamery", reserve_bytes=0)
    assert writer.migrated[0] == 1
    await writer.aclose()


@pytest.mark.skipif(os.geteuid() != 0, reason="a small disk of its own takes root")
async def test_a_folder_without_room_is_said_so_before_anything_is_copied(tmp_path: Path) -> None:
    import subprocess

    await filled(tmp_path / "a.db", 400)
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", disk], check=False).returncode:  # noqa: ASYNC221
        pytest.skip("this machine lets nobody mount")
    try:
        with pytest.raises(StoreFull, match=r"free.*the store takes"):
            backup.room_for(tmp_path / "a.db", disk)
        with pytest.raises(StoreFull):
            backup.take(tmp_path / "a.db", disk, START_MS, "one")
        assert list(disk.iterdir()) == []
    finally:
        subprocess.run(["umount", disk], check=True)  # noqa: ASYNC221
