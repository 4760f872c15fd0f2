"""A state rebuilt from the last stretch of a long store takes its meters' totals up where they were stored."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from pytest import approx

from daemon.app import resume as resuming
from daemon.app.resume import Plants, resume
from daemon.core.scan import Group
from daemon.store.writer import Writer
from tests.support.small_store import cond, counted, every, store

START = round(datetime.fromisoformat("2026-11-20T06:00:00+00:00").timestamp() * 1000)  # midnight in Chicago
COUNT = 400


def steady() -> list[Group]:
    """A pulse of 100 L every ten minutes."""
    return every(START, 600_000, [counted(cond(2900), 100 + k, 1, 1) for k in range(COUNT)])


@pytest.mark.parametrize("groups", [50, 1_000])
async def test_totals_days_and_masses_of_a_rebuilt_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, groups: int
) -> None:
    import asyncio

    path = tmp_path / "w.db"
    await asyncio.to_thread(store, path, steady())
    monkeypatch.setattr(resuming, "REBUILD_GROUPS", groups)
    writer = await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
    try:
        found = await resume(writer, Plants(writer))
    finally:
        await writer.aclose()
    assert found.state is not None
    w, s = found.state.programme.wiring, found.state.cells.senses
    (m,), (c,), (day,) = w.meters, s.counters, s.days
    assert c.volume(m.spec) == approx((COUNT - 1) * 0.1)
    assert c.mass(m.spec) == approx((COUNT - 1) * 0.1 * m.spec.density)
    since_midnight = (COUNT - 1) % 144
    assert day.today(c, m.spec)[0] == approx(min(since_midnight, groups - 1) * 0.1)
