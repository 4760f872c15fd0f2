"""`backup` and `restore` as typed."""

from __future__ import annotations

from pathlib import Path

import apsw
from typer.testing import CliRunner

from daemon.app.commands import app
from daemon.store.reader import Reader
from tests.daemon.store.test_backup import filled
from tests.support.stores import Expected

RUN = CliRunner()


async def test_a_backup_goes_into_a_folder_of_its_own_and_comes_back(tmp_path: Path) -> None:
    expected: Expected = await filled(tmp_path / "a.db")
    done = RUN.invoke(app, ["backup", str(tmp_path / "a.db"), "--to", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    (folder,) = (tmp_path / "out").iterdir()
    assert done.stdout.splitlines()[0] == str(folder)
    with Reader(tmp_path / "a.db") as reader:
        count, head = reader.head()
    assert f"records: {count}:{head}" in done.stdout
    back = RUN.invoke(app, ["restore", str(folder / "manifest.json"), "--to", str(tmp_path / "b.db")])
    assert back.exit_code == 0, back.output
    assert "12 polls up to 2026-09-10 00:26:52 UTC" in back.stdout
    expected.check(tmp_path / "b.db")
    again = RUN.invoke(app, ["restore", str(folder), "--to", str(tmp_path / "b.db")])
    assert again.exit_code == 2
    assert "--replace" in again.stderr
    assert RUN.invoke(app, ["restore", str(folder), "--to", str(tmp_path / "b.db"), "--replace"]).exit_code == 0


async def test_a_store_that_is_not_whole_is_copied_and_said_to_be_so(tmp_path: Path) -> None:
    await filled(tmp_path / "a.db")
    db = apsw.Connection(str(tmp_path / "a.db"))
    db.execute("DELETE FROM journal WHERE id = 2")
    db.close()
    done = RUN.invoke(app, ["backup", "--store", str(tmp_path / "a.db"), "--to", str(tmp_path / "out")])
    assert done.exit_code == 1
    assert "journal 2 is gone" in done.stdout
    (folder,) = (tmp_path / "out").iterdir()
    back = RUN.invoke(app, ["restore", str(folder), "--to", str(tmp_path / "b.db")])
    assert back.exit_code == 1
    assert "journal 2 is gone" in back.stderr
    assert not (tmp_path / "b.db").exists()


def test_the_store_is_given_once_and_must_be_there(tmp_path: Path) -> None:
    assert RUN.invoke(app, ["backup", "a.db", "--store", "b.db"]).exit_code == 2
    assert RUN.invoke(app, ["backup", str(tmp_path / "a.db"), "--to", str(tmp_path)]).exit_code == 2
