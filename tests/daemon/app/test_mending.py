"""Beside the polls: what is missing is worked out, old minutes go."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from pathlib import Path

import apsw

from daemon.app.mending import work_out
from daemon.store.proving import prove
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.support.rolled import Filling, Step, rows


def minutes(path: Path, count: int) -> Path:
    filling = Filling(path, "America/Chicago", 1_805_000_000_000)
    for n in range(count):
        filling.take(Step(60_000, (n,) * 12, (0,) * 12, 2))
    filling.close()
    return path


async def until_thinned(writer: Writer, keep_s: float) -> None:
    """Run it until old minutes are gone."""
    asked = asyncio.Event()

    def keep() -> float:
        asked.set()
        return keep_s

    task = asyncio.create_task(work_out(writer, keep))
    await asyncio.wait_for(asked.wait(), 30)  # all that was missing is there
    for _ in range(500):
        held = await asyncio.to_thread(lambda: len(list(rows(writer.path, 0))))
        if held <= keep_s / 60 + 60:
            break
        await asyncio.sleep(0.01)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_missing_figures_are_made_and_old_minutes_go(tmp_path: Path) -> None:
    path = minutes(tmp_path / "a.db", 300)
    db = apsw.Connection(str(path))
    db.execute("DELETE FROM rollup_minute; DELETE FROM rollup_hour; DELETE FROM rollup_day")
    db.execute("INSERT INTO rollup_mend (level, first_group, last_group) VALUES (0, 1, 300)")
    db.close()
    writer = await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
    try:
        await until_thinned(writer, 3600.0)
    finally:
        await writer.aclose()
    with Reader(path) as reader:
        proof = prove(reader)
        assert (proof.waiting, proof.bad) == ([], [])
    assert 60 <= len(list(rows(path, 0))) <= 120
    assert len(list(rows(path, 1))) == 5
