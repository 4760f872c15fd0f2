"""A real store that holds the creamery's first hours, as the service would have left it."""

from __future__ import annotations

import asyncio
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from daemon.app.stepping import advance
from daemon.core.scan import Group
from daemon.engine import FORMAT, State, dump
from daemon.notify.outbox import outbox_rows
from daemon.store.records import Snapshot
from daemon.store.writer import Writer
from tests.support.recordings import creamery, groups

HOURS = 3.5
SNAPSHOT_EVERY = 120  # groups


async def fill(path: Path, recording: tuple[Group, ...]) -> State:
    """Store a recording of the creamery; the state after it."""
    source = creamery()
    writer = await Writer.open(path, owner=source.plant.plant.name)
    try:
        assert await writer.add_plant_version(source.text, source.sha256, recording[0].at_ms) == 1
        assert await writer.open_segment("run", recording[0].elapsed_ms, recording[0].at_ms, "start") == 1
        state: State | None = None
        for group in recording:
            state, outcome = advance(state, group, lambda version: source.plant)
            mails = [row for n in outcome.notices for row in outbox_rows(n, source.plant)]
            snapshot = None
            if group.number % SNAPSHOT_EVERY == 0:
                snapshot = Snapshot(FORMAT, 1, group.number, dump(state))
            await writer.commit(source.plant, group, outcome, mails, snapshot)
        assert state is not None
        return state
    finally:
        await writer.aclose()


@cache
def creamery_store() -> Path:
    """The store, made once a session; do not write to it."""
    path = Path(mkdtemp(prefix="waterside-creamery-")) / "waterside.db"
    asyncio.run(fill(path, groups(HOURS)))
    return path
