"""Any later edit of a chained record shows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import apsw
import pytest

from daemon.store.reader import Reader
from tests.support.stores import begin, commit, made


async def filled(path: Path) -> tuple[int, str]:
    writer = await begin(path)
    await writer.add_act("note", "Ada", {"text": "x"}, 1)
    (act,) = await writer.pending_acts()
    for number in range(1, 10):
        await commit(writer, made(number, act if number == 3 else None))
    head = await writer.head()
    await writer.aclose()
    return head


async def test_an_untouched_store_has_no_findings_and_its_head_is_that_of_the_writer(tmp_path: Path) -> None:
    head = await filled(tmp_path / "a.db")
    assert head[0] == 9  # a plant version, an act, its application, three journal entries, two calibrations, a reading
    with Reader(tmp_path / "a.db") as reader:
        assert reader.integrity() == ()
        assert reader.head() == head


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        ("UPDATE journal SET value = value + 1 WHERE id = 2", "journal 2 was changed"),
        ("UPDATE journal SET at_ms = at_ms + 1 WHERE id = 3", "journal 3 was changed"),
        ("UPDATE journal SET quality = 'bad' WHERE id = 2", "journal 2 was changed"),
        ("UPDATE act SET person = 'Eve'", "act 1 was changed"),
        ("UPDATE act SET result = 'never'", "act applied 1 was changed"),
        ("UPDATE act SET group_number = 4", "act applied 1 was changed"),
        ("UPDATE plant_version SET from_ms = 0", "plant_version 1 was changed"),
        ("DELETE FROM journal WHERE id = 1", "journal 1 is gone"),
        ("DELETE FROM journal WHERE id = 1; DELETE FROM chain WHERE row = 1 AND source = 'journal'", "chain are gone"),
        ("DELETE FROM chain WHERE seq = (SELECT max(seq) FROM chain)", "3 records, 2 of them chained"),
        ("UPDATE calibration SET body = '{}' WHERE id = 1", "calibration 1 was changed"),
        ("DELETE FROM manual_reading", "manual_reading 1 is gone"),
        ("INSERT INTO journal SELECT 99, 9, at_ms, 9, target, kind, name, event, state, priority, value, limit_value, "
         "unit, evidence, person, quality FROM journal WHERE id = 1", "4 records, 3 of them chained"),
        ("UPDATE chain SET source = 'theirs' WHERE seq = 2", "not known"),
    ],
)  # fmt: skip
async def test_an_edit_shows(tmp_path: Path, edit: str, says: str) -> None:
    path = tmp_path / "a.db"
    await filled(path)
    db = apsw.Connection(str(path))
    db.execute(edit)
    db.close()
    with Reader(path) as reader:
        assert any(says in line for line in reader.integrity())


async def test_rewriting_the_whole_chain_changes_its_head(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    head = await filled(path)
    db = apsw.Connection(str(path))
    db.execute("UPDATE journal SET evidence = 'nothing to see' WHERE id = 1")
    from daemon.store.chain import SOURCES, START, link

    before = START
    for seq, source, row in db.execute("SELECT seq, source, row FROM chain ORDER BY seq").fetchall():
        before = link(before, source, db.execute(SOURCES[source], (row,)).fetchone())  # type: ignore[arg-type]
        db.execute("UPDATE chain SET hash = ? WHERE seq = ?", (before, seq))
    db.close()
    with Reader(path) as reader:
        assert reader.integrity() == ()
        assert reader.head()[0] == head[0]
        assert reader.head()[1] != head[1]


async def test_a_damaged_page_is_found(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    await filled(path)
    with path.open("r+b") as f:
        f.seek(4096 * 6)
        f.write(b"\xa5" * 4096)
    with Reader(path) as reader:
        assert reader.integrity() != ()


async def test_the_quality_of_the_reading_is_kept_and_chained(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    one = made(2)
    entry = replace(one.outcome.journal[0], quality="uncertain")
    await commit(writer, replace(one, outcome=replace(one.outcome, journal=(entry,))))
    await writer.aclose()
    with Reader(path) as reader:
        assert [e.quality for e in reader.journal()] == ["uncertain"]
        assert reader.integrity() == ()
    db = apsw.Connection(str(path))
    db.execute("UPDATE journal SET quality = ''")
    db.close()
    with Reader(path) as reader:
        assert any("journal 1 was changed" in line for line in reader.integrity())
