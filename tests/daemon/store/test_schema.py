"""From an empty file and from every earlier version forward; a file that is not ours is left alone."""

from __future__ import annotations

from pathlib import Path

import apsw
import pytest

from daemon.core.outcome import Blow
from daemon.store import schema
from daemon.store.errors import StoreBroken, StoreUnknown
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.support.stores import begin, commit, made


def tables(db: apsw.Connection) -> set[str]:
    return {str(r[0]) for r in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}


def test_an_empty_file_gets_every_table_of_the_design(tmp_path: Path) -> None:
    db = apsw.Connection(str(tmp_path / "a.db"))
    assert schema.migrate(db, "a.db") == (0, len(schema.STEPS))
    wanted = {"plant_version", "calibration", "act", "journal", "standing", "blow", "outbox", "clock_segment"}
    assert tables(db) >= wanted | {"snapshot", "manual_reading", "scan_group", "chain", "store_event"}
    assert schema.version_of(db) == len(schema.STEPS)
    assert schema.migrate(db, "a.db") == (len(schema.STEPS), len(schema.STEPS))
    db.close()


def test_the_hot_table_has_no_index(tmp_path: Path) -> None:
    db = apsw.Connection(str(tmp_path / "a.db"))
    schema.migrate(db, "a.db")
    assert not db.execute("SELECT name FROM sqlite_schema WHERE type = 'index' AND tbl_name = 'scan_group'").fetchall()
    db.close()


async def test_a_later_step_keeps_what_is_stored(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    await commit(writer, made(1))
    await writer.aclose()

    def fill(db: apsw.Connection) -> None:
        db.execute("UPDATE next_thing SET groups = (SELECT count(*) FROM scan_group)")

    more = (*schema.STEPS, "CREATE TABLE next_thing (groups INTEGER) STRICT; INSERT INTO next_thing VALUES (0)", fill)
    db = apsw.Connection(str(path))
    assert schema.migrate(db, str(path), more) == (len(schema.STEPS), len(more))
    assert db.execute("SELECT groups FROM next_thing").fetchall() == [(1,)]
    assert db.execute("SELECT number FROM scan_group").fetchall() == [(1,)]
    db.close()


def test_a_store_of_the_first_schema_keeps_its_blows(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    db = apsw.Connection(str(path))
    schema.migrate(db, str(path), schema.STEPS[:1])
    db.execute("INSERT INTO blow VALUES (1, 1, 'B1', 1000, 2000, 1, 900, 3010.5, 2900.0, 1, 10000)")
    assert schema.migrate(db, str(path)) == (1, len(schema.STEPS))
    db.close()
    with Reader(path) as reader:
        assert list(reader.blows()) == [Blow("B1", 1000, 2000, 1, 900, 3010.5, 2900.0, True, 10000, None, "")]


def test_a_step_that_fails_leaves_the_version_before_it(tmp_path: Path) -> None:
    db = apsw.Connection(str(tmp_path / "a.db"))
    more = (*schema.STEPS, "CREATE TABLE half (x) STRICT")  # STRICT wants a type
    with pytest.raises(apsw.SQLError):
        schema.migrate(db, "a.db", more)
    assert schema.version_of(db) == len(schema.STEPS)
    assert not db.in_transaction
    more = (*schema.STEPS, "CREATE TABLE half (x TEXT) STRICT; CREATE TABLE half (x TEXT) STRICT")
    with pytest.raises(apsw.SQLError):
        schema.migrate(db, "a.db", more)
    assert "half" not in tables(db)
    db.close()


async def test_a_store_of_a_later_program_is_refused_untouched(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    await (await begin(path)).aclose()
    db = apsw.Connection(str(path))
    db.pragma("user_version", 7)
    db.close()
    with pytest.raises(StoreUnknown, match=r"schema version 7; this program knows up to 2.*newer program"):
        await Writer.open(path, owner="Quillmarsh Creamery")
    with pytest.raises(StoreUnknown, match="schema version 7"):
        Reader(path)


async def test_a_database_of_another_program_is_refused_untouched(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    db = apsw.Connection(str(path))
    db.execute("CREATE TABLE theirs (x)")
    db.close()
    before = path.read_bytes()
    with pytest.raises(StoreUnknown, match="another program"):
        await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
    with pytest.raises(StoreUnknown, match="another program"):
        Reader(path)
    assert path.read_bytes() == before


async def test_a_file_that_is_no_database_is_refused_untouched(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    path.write_text("minutes of the meeting\n" * 500)
    with pytest.raises(StoreBroken, match="damaged"):
        await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
    with pytest.raises(StoreBroken, match="damaged"):
        Reader(path)
    assert path.read_text().startswith("minutes")


def test_an_old_library_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apsw, "sqlite_lib_version", lambda: "3.51.2")
    with pytest.raises(StoreUnknown, match=r"3\.51\.2.*3\.51\.3"):
        schema.check_library()
    monkeypatch.undo()
    schema.check_library()
