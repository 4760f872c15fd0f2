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
from tests.support.rolled import rows
from tests.support.stores import begin, commit, made

DATA = Path(__file__).parent / "data"


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


def of_version(number: int, path: Path) -> Path:
    """A store as the program of that schema version left it."""
    db = apsw.Connection(str(path))
    db.execute((DATA / f"schema_{number}.sql").read_text("utf-8"))
    assert schema.version_of(db) == number
    db.close()
    return path


@pytest.mark.parametrize("number", range(1, len(schema.STEPS)))
async def test_a_store_of_every_released_version_is_brought_up_to_date_with_nothing_lost(
    tmp_path: Path, number: int
) -> None:
    path = of_version(number, tmp_path / "a.db")
    with pytest.raises(StoreUnknown, match=f"schema version {number}.*Start the service once"):
        Reader(path)
    writer = await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
    assert writer.migrated == (number, len(schema.STEPS))
    with Reader(path) as reader:
        assert reader.integrity() == ()  # the chain holds over every record as it was written
        assert reader.head() == (12, "0b0de2868a032ce51f8c9aa4716f518c9e2b71f4a6f84024a98f04471d5d0888")
        assert [s.group.number for s in reader.groups()] == list(range(1, 13))
        assert [s.why for s in reader.clock_segments()] == ["start", "start"]
        assert [s.first_group for s in reader.clock_segments()] == [1, 9]
        assert {s.doubt for s in reader.clock_segments()} == {""}
        assert [(a.act.kind, a.act.by, a.group, a.result) for a in reader.acts()] == [("note", "J. Ortiz", 3, "")]
        assert [e.at_ms for e in reader.journal()] == [1_789_000_000_000 + n * 1000 for n in (2, 5, 8, 11)]
        assert [b.ended_at for b in reader.blows()] == [3000.5, 3000.5]
        assert [c.body["said by"] for c in reader.calibrations()] == ["handheld \u00fc"] * 3
        assert [r.value for r in reader.manual()] == [4 / 3, 10 / 3]
        assert len(list(reader.mails())) == 4
        assert [s.group for s in reader.snapshots()] == [12, 8, 4]
        assert [e.kind for e in reader.events()] == ["schema made"]
        assert reader.plant(1).plant.name
    await commit(writer, made(13, segment=2))
    while await writer.mend_figures():  # minutes, hours and days of what was stored before there were any
        pass
    await writer.aclose()
    with Reader(path) as reader:
        assert reader.integrity() == ()
    assert [r[:3] for r in rows(path, 0)] == [r[:3] for r in rows(path, 2)] == [(1, 8, 1)]


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
    with pytest.raises(StoreUnknown, match=rf"version 7; this program knows up to {len(schema.STEPS)}.*newer program"):
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
