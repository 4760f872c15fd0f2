"""Values by the view are the values of the program's own arithmetic."""

from __future__ import annotations

import os
from pathlib import Path

from config.load import loads
from daemon.core.tags import raw_tags
from daemon.measure.current_loop import to_reading
from daemon.store.archive.choosing import Move
from daemon.store.archive.files import archive_folder
from daemon.store.archive.writing import write
from daemon.store.duck import connected
from daemon.store.reader import Reader
from tests.support.clock import START_MS
from tests.support.small_store import BOILER, cond, counted, every, store


def test_the_view_gives_what_the_program_reckons(tmp_path: Path) -> None:
    counts = [cond(0), cond(1234.5), cond(5000), 0, 65535, None]
    path = store(
        tmp_path / "waterside.db", every(START_MS, 10_000, [counted(c, n, 0, 1) for n, c in enumerate(counts)])
    )
    with Reader(path) as reader:
        write(reader, Move(1, "2026-09", 1, len(counts)), 1)
        stored = list(reader.groups())
    folder = archive_folder(path)
    probe = next(t for t in raw_tags(loads(BOILER).plant) if t.name == "B1.probe")
    wanted = [to_reading(g.group.scans[0].counts[0], probe, 0, g.group.scans[0].faults[0]).value for g in stored]
    here = Path.cwd()
    os.chdir(folder)
    try:
        with connected() as db:
            db.execute((folder / "values-v1.sql").read_text())
            found = [r[0] for r in db.execute('SELECT "B1.probe uS/cm" FROM values_v1 ORDER BY number').fetchall()]
    finally:
        os.chdir(here)
    assert found == wanted
    assert wanted[3] is None  # an open loop
