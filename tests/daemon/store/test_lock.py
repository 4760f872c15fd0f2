"""The second instance on a store is refused by name; the lock goes with its process, however that ends."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.store.errors import StoreBroken, StoreBusy
from daemon.store.lock import StoreLock, locked
from daemon.store.writer import Writer
from tests.support.stores import begin, commit, made

HOLD = """
import sys
from pathlib import Path
from daemon.store.lock import StoreLock
lock = StoreLock(Path(sys.argv[1]), "Quillmarsh Creamery")
print("held", flush=True)
sys.stdin.read()
"""


def holder(path: Path) -> subprocess.Popen[str]:
    child = subprocess.Popen(
        [sys.executable, "-P", "-c", HOLD, str(path)],
        env={"PYTHONPATH": str(Path.cwd())},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout
    assert child.stdout.readline() == "held\n"
    return child


async def test_another_process_is_named_and_gone_when_it_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    with holder(path) as child:
        try:
            assert locked(path)
            with pytest.raises(StoreBusy) as refused:
                await Writer.open(path, owner="Elsewhere")
            text = str(refused.value)
            assert str(path) in text
            assert f"process {child.pid} (plant Quillmarsh Creamery, since " in text
            assert re.search(r"since \d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC", text)
            assert "Stop that one first" in text
            assert not path.exists()
        finally:
            os.kill(child.pid, signal.SIGKILL)
    assert not locked(path)
    writer = await begin(path)
    await commit(writer, made(1))
    await writer.aclose()


async def test_the_same_store_by_another_path_is_the_same_store(tmp_path: Path) -> None:
    writer = await begin(tmp_path / "a.db")
    (tmp_path / "other").symlink_to(tmp_path, target_is_directory=True)
    for path in (tmp_path / "a.db", tmp_path / "other" / "a.db", tmp_path / "other" / ".." / tmp_path.name / "a.db"):
        with pytest.raises(StoreBusy):
            await Writer.open(path, owner="Elsewhere")
    await writer.aclose()
    writer = await Writer.open(tmp_path / "other" / "a.db", owner="Elsewhere", reserve_bytes=0)
    await writer.aclose()


def test_the_message_stands_without_a_readable_file(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    lock = StoreLock(path, "Quillmarsh Creamery")
    lock.path.write_text("{")
    with pytest.raises(StoreBusy, match="in use by another process"):
        StoreLock(path, "Elsewhere")
    lock.release()
    lock.release()
    StoreLock(path, "Elsewhere").release()


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreBroken, match="nowhere"):
        StoreLock(tmp_path / "nowhere" / "a.db", "Quillmarsh Creamery")
    assert not locked(tmp_path / "nowhere" / "a.db")
