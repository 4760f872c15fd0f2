"""Raw counts of a stretch of time in the form `replay` reads, with acts, plant versions and the state before it.

May import: daemon.store, this room.
"""

from __future__ import annotations

import gzip
import io
from collections.abc import Callable
from pathlib import Path

from daemon.report.carried import StartState, write_state
from daemon.report.files import replacing
from daemon.report.recording import RecordingWriter
from daemon.store.reader import Reader


def export_raw(
    reader: Reader,
    from_ms: int,
    to_ms: int,
    folder: Path,
    progress: Callable[[int], None] = lambda n: None,
    tell: Callable[[str], None] = lambda text: None,
) -> list[Path]:
    """Write counts.csv.gz, acts.jsonl, plant.toml and, where a snapshot precedes the stretch, state.txt.

    With a snapshot at hand the recording begins right after it, so that a replay starts from a known state; it may
    begin before `from_ms` therefore. Without one, `tell` is given a sentence on what that means.
    """
    first = next(iter(reader.groups(from_ms, to_ms)), None)
    snapshot = None
    if first is not None:
        snapshot = next((s for s in reader.snapshots() if s.group < first.group.number), None)
    versions = {v.version: v for v in reader.plant_versions()}
    folder.mkdir(parents=True, exist_ok=True)
    rows, acts = folder / "counts.csv.gz", folder / "acts.jsonl"
    files = [rows, acts]
    begin = snapshot.group + 1 if snapshot else (first.group.number if first else 0)
    used: set[int] = set()
    with (
        replacing(rows) as rows_part,
        replacing(acts) as acts_part,
        rows_part.open("wb") as raw,
        gzip.GzipFile("", "wb", fileobj=raw, mtime=0) as packed,
        io.TextIOWrapper(packed, "utf-8", newline="") as text,
        acts_part.open("w", encoding="utf-8") as carried,
    ):
        plants = {v: reader.plant(v) for v in versions}
        out = RecordingWriter(text, carried, plants, {v: p.text for v, p in versions.items()})
        if first is not None:
            shifts = reader.shifts()
            for stored in reader.groups_after(begin - 1):
                at_ms = stored.group.at_ms + shifts.get(stored.group.segment, 0)  # what is written keeps its date
                if at_ms >= to_ms and stored.group.number > first.group.number:
                    break
                out.add(stored.group)
                used.add(stored.group.plant)
                if out.rows % 1000 == 0:
                    progress(out.rows)
    if versions:
        plant = folder / "plant.toml"
        with replacing(plant) as part:
            part.write_text(versions[max(used or versions)].text, "utf-8")
        files.append(plant)
    state = folder / "state.txt"
    state.unlink(missing_ok=True)  # that of an earlier export belongs to other counts
    if snapshot is not None:
        write_state(state, StartState(snapshot.format, snapshot.plant, snapshot.group, snapshot.body))
        files.append(state)
    elif begin > 1:
        tell(
            "The store no longer has a state from before this stretch: a replay of it begins with nothing known, and "
            "its first alarms may differ from those that were raised."
        )
    return files
