"""A file is in order, and says of itself what a stranger needs."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest

from daemon.store.archive import writing
from daemon.store.archive.choosing import Move
from daemon.store.archive.files import ArchiveFile, archive_folder
from daemon.store.duck import connected
from daemon.store.reader import Reader
from tests.support.stores import PLANT, begin, commit, made

GROUPS = 6000


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("long") / "waterside.db"

    async def fill() -> None:
        writer = await begin(path, durable=False)
        try:
            for n in range(1, GROUPS + 1):
                await commit(writer, made(n))
        finally:
            await writer.aclose()

    asyncio.run(fill())
    return path


def _numbers(path: Path, file: ArchiveFile) -> list[int]:
    with connected() as db:
        rows = db.execute("SELECT number FROM read_parquet(?)", [str(archive_folder(path) / file.name)]).fetchall()
    return [r[0] for r in rows]


def test_what_joins_a_file_of_several_blocks_stands_behind_it(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two sources of several blocks each were once written block by block in turns; the proof found it."""
    monkeypatch.setattr(writing, "BLOCK", 2048)
    with Reader(store) as reader:
        first = writing.write(reader, Move(1, "2026-09", 1, 3000), 1)
        grown = writing.write(reader, Move(1, "2026-09", 3001, GROUPS, first), 2)
    assert grown.groups == GROUPS
    assert _numbers(store, grown) == list(range(1, GROUPS + 1))


def test_a_file_that_does_not_read_back_as_written_gets_no_name(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every hundredth count altered on the way to the file."""
    real = writing.Form.row

    def altered(self: writing.Form, raw: writing.Raw) -> list[object]:
        row = real(self, raw)
        if raw[0] % 100 == 50:
            place = next(i for i, c in enumerate(self.columns) if c.name == "di.x")
            row[place] = 1 - row[place]
        return row

    monkeypatch.setattr(writing.Form, "row", altered)
    before = set(archive_folder(store).glob("*"))
    with Reader(store) as reader, pytest.raises(writing.StoreBroken, match=r"as it was written, at group 50\."):
        writing.write(reader, Move(1, "2026-09", 1, 200), 3)
    assert set(archive_folder(store).glob("*")) == before


def test_a_stranger_reads_values_by_the_file_alone(store: Path) -> None:
    with Reader(store) as reader:
        file = writing.write(reader, Move(1, "2026-09", 1, 500), 4, "9.9")
        said = reader.shelf.said(file)
    assert (said["plant"], said["zone"], said["plant_version"], said["program"]) == (
        *("Quillmarsh Creamery", "America/Chicago"),
        *("1", "9.9"),
    )
    columns = {c["name"]: c for c in json.loads(said["columns"])}
    assert columns["ai.c"]["type"] == "UINTEGER"
    assert json.loads(said["reasons"])["1"] == "no answer"
    scaling = {row["tag"]: row for row in json.loads(said["scaling"])}
    assert set(scaling) == {f"{m.name}.{c}" for m in PLANT.modules for c in m.channels}
    with connected() as db:
        path = str(archive_folder(store) / file.name)
        kinds = {r[0]: r[1] for r in db.execute("DESCRIBE SELECT * FROM read_parquet(?)", [path]).fetchall()}
        assert (kinds["ai.a"], kinds["di.x"], kinds["ai.a verdict"]) == ("USMALLINT", "UTINYINT", "UTINYINT")
        assert kinds["time_utc"].startswith("TIMESTAMP")
        blocks = db.execute("SELECT DISTINCT compression FROM parquet_metadata(?)", [path]).fetchall()
        assert blocks == [("ZSTD",)]
