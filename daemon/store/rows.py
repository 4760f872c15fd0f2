"""Rows of the database to records and back: every column list stands here once.

Pure but for reading through the connection handed in. May import: config, daemon.core, this room.
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

import apsw

from config.load import PlantFileError, loads
from config.model import Plant
from daemon.core.outcome import Blow, Calibration, Entry, ManualReading, Standing
from daemon.core.scan import Act, Group
from daemon.store.errors import StoreBroken
from daemon.store.packing import Layout, PackingError, unpack_derived
from daemon.store.query import every, first
from daemon.store.records import (
    ClockCorrection,
    ClockSegment,
    Last,
    PlantVersion,
    QueuedMail,
    Snapshot,
    StoredAct,
    StoredGroup,
)

ENTRY: Final = (
    "at_ms, occurrence, target, kind, name, event, state, priority, value, limit_value, unit, evidence, person, quality"
)
STANDING: Final = (
    "target, kind, name, state, occurrence, priority, since_ms, value, limit_value, unit, evidence, person"
)
BLOW: Final = (
    "boiler, start_ms, end_ms, openings, open_ms, sampled, ended_at, complete, plus_minus_ms, kg, kg_by, by_hand, "
    "shared"
)
CALIBRATION: Final = "tag, from_ms, kind, body, act"
MANUAL: Final = "target, what, taken_ms, value, unit, note, act"
GROUP: Final = "number, segment, elapsed_ms, at_ms, gap_ms, plant, body, derived"
ACT: Final = "number, kind, person, received_ms, body"
MAIL: Final = "id, key, recipient, at_ms, body, state, tries, next_ms, done_ms, note"
QUEUED: Final = "id, key, recipient, at_ms, body, tries"
SNAPSHOT: Final = "format, plant, group_number, body"
VERSION: Final = "version, from_ms, sha256, text"
SEGMENT: Final = "segment, run, elapsed_ms, at_ms, why, first_group, doubt"
CORRECTION: Final = "segment, shift_ms, made_ms, why, person"

INSERT_GROUP: Final = f"INSERT INTO scan_group ({GROUP}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"


def text(value: str) -> str:
    """Text SQLite can hold: half a surrogate pair (JSON may carry one) becomes "?", so that it never stops a commit."""
    return value if value.isascii() else value.encode("utf-8", "replace").decode("utf-8")


def real(value: float | None) -> float | None:
    """A REAL column: whole numbers as floats, as they read back; what is not a number is NULL."""
    return None if value is None or math.isnan(value) else float(value)


def entry_row(e: Entry) -> tuple[Any, ...]:
    """In the order of `ENTRY`."""
    return (
        *(e.at_ms, e.occurrence, text(e.target), e.kind, text(e.name), e.event, e.state, e.priority),
        *(real(e.value), real(e.limit), text(e.unit), text(e.evidence), text(e.by), e.quality),
    )


def standing_row(s: Standing) -> tuple[Any, ...]:
    """In the order of `STANDING`."""
    return (
        *(text(s.target), s.kind, text(s.name), s.state, s.occurrence, s.priority, s.since_ms),
        *(real(s.value), real(s.limit), text(s.unit), text(s.evidence), text(s.by)),
    )


def blow_row(b: Blow) -> tuple[Any, ...]:
    """In the order of `BLOW`."""
    return (
        *(text(b.boiler), b.start_ms, b.end_ms, b.openings, b.open_ms),
        *(real(b.sampled), real(b.ended_at), int(b.complete), b.plus_minus_ms, real(b.kg), b.kg_by),
        *(int(b.by_hand), int(b.shared)),
    )


def blow_of(row: tuple[Any, ...]) -> Blow:
    *plain, complete, plus_minus_ms, kg, kg_by, by_hand, shared = row
    boiler, start_ms, end_ms, openings, open_ms, sampled, ended_at = plain
    seen = (boiler, start_ms, end_ms, openings, open_ms, sampled, ended_at)
    return Blow(*seen, bool(complete), plus_minus_ms, kg, kg_by, bool(by_hand), bool(shared))


def calibration_row(c: Calibration) -> tuple[Any, ...]:
    """In the order of `CALIBRATION`."""
    return (text(c.tag), c.from_ms, c.kind, act_body(c.body), c.act)


def calibration_of(row: tuple[Any, ...]) -> Calibration:
    tag, from_ms, kind, body, act = row
    return Calibration(tag, from_ms, kind, MappingProxyType(json.loads(body)), act)


def manual_row(m: ManualReading) -> tuple[Any, ...]:
    """In the order of `MANUAL`. ValueError for a value that is no number."""
    if not math.isfinite(m.value):
        raise ValueError(f"a manual reading of {m.target} wants a finite value; found {m.value}")
    return (text(m.target), text(m.what), m.taken_ms, float(m.value), text(m.unit), text(m.note), m.act)


def act_of(row: tuple[Any, ...]) -> Act:
    number, kind, person, received, body = row
    return Act(number, kind, person, received, MappingProxyType(json.loads(body)))


def act_body(body: Mapping[str, Any]) -> str:
    """JSON of an act's body. TypeError or ValueError when it is none."""
    return text(json.dumps(dict(body), ensure_ascii=False, allow_nan=False, separators=(",", ":")))


def last_of(db: apsw.Connection) -> Last | None:
    row = first(db, "SELECT number, at_ms, elapsed_ms, segment, plant FROM scan_group ORDER BY number DESC LIMIT 1")
    return Last(*row) if row else None


def versions_of(db: apsw.Connection) -> tuple[PlantVersion, ...]:
    return tuple(PlantVersion(*r) for r in every(db, f"SELECT {VERSION} FROM plant_version ORDER BY version"))


def segments_of(db: apsw.Connection) -> tuple[ClockSegment, ...]:
    return tuple(ClockSegment(*r) for r in every(db, f"SELECT {SEGMENT} FROM clock_segment ORDER BY segment"))


def corrections_of(db: apsw.Connection) -> tuple[ClockCorrection, ...]:
    """Oldest first."""
    return tuple(ClockCorrection(*r) for r in every(db, f"SELECT {CORRECTION} FROM clock_correction ORDER BY id"))


def snapshots_of(db: apsw.Connection, limit: int) -> tuple[Snapshot, ...]:
    """Newest first."""
    return tuple(Snapshot(*r) for r in every(db, f"SELECT {SNAPSHOT} FROM snapshot ORDER BY id DESC LIMIT ?", (limit,)))


def queued_of(db: apsw.Connection, now_ms: int, limit: int) -> list[QueuedMail]:
    sql = f"SELECT {QUEUED} FROM outbox WHERE state = 'waiting' AND next_ms <= ? ORDER BY next_ms, id LIMIT ?"
    return [QueuedMail(*r) for r in every(db, sql, (now_ms, limit))]


def acts_of(db: apsw.Connection, where: str, args: Sequence[int]) -> list[StoredAct]:
    sql = f"SELECT {ACT}, group_number, result FROM act WHERE {where}"
    return [StoredAct(act_of(r[:5]), r[5], r[6]) for r in every(db, sql, args)]


class Plants:
    """Plants and layouts by version, read from the stored text once. `fetch` gives the text or raises KeyError."""

    def __init__(self, fetch: Callable[[int], str], where: str) -> None:
        self._fetch, self._where = fetch, where
        self._plants: dict[int, Plant] = {}
        self._layouts: dict[int, Layout] = {}

    def plant(self, version: int) -> Plant:
        """The plant of a version. StoreBroken when it is not stored or its text is no plant file any more."""
        if version not in self._plants:
            try:
                self._plants[version] = loads(self._fetch(version), f"plant version {version}", rules=False).plant
            except KeyError as e:
                raise StoreBroken(f"{self._where} has groups of plant version {version} but not its text.") from e
            except PlantFileError as e:
                raise StoreBroken(f"{self._where}: stored plant version {version} cannot be read: {e}") from e
        return self._plants[version]

    def layout(self, version: int) -> Layout:
        """The layout of a version's groups."""
        if version not in self._layouts:
            try:
                self._layouts[version] = Layout.of(self.plant(version))
            except StoreBroken as e:
                try:  # counts can be read long after a later program has grown stricter about plant files
                    self._layouts[version] = Layout.of_text(self._fetch(version))
                except (KeyError, ValueError):
                    raise e from None
        return self._layouts[version]

    def learn(self, version: int, plant: Plant) -> Layout:
        """Take a plant that is at hand instead of reading its text."""
        if version not in self._layouts:
            self._plants[version] = plant
            self._layouts[version] = Layout.of(plant)
        return self._layouts[version]


def text_of(db: apsw.Connection, version: int) -> str:
    """The text of a plant version; KeyError when there is none."""
    row = first(db, "SELECT text FROM plant_version WHERE version = ?", (version,))
    if row is None:
        raise KeyError(version)
    return str(row[0])


def groups_slice(db: apsw.Connection, plants: Plants, lowest: int, highest: int, limit: int) -> list[StoredGroup]:
    """At most `limit` groups numbered `lowest` to `highest`, with acts and journal; no statement stays open."""
    sql = f"SELECT {GROUP} FROM scan_group WHERE number BETWEEN ? AND ? ORDER BY number LIMIT ?"
    loose = []
    for number, *mark, plant, body, derived in every(db, sql, (lowest, highest, limit)):
        try:
            scans, verdicts = plants.layout(plant).unpack(body)
            loose.append((number, *mark, plant, scans, verdicts, unpack_derived(derived)))
        except PackingError as e:
            raise StoreBroken(f"Group {number} cannot be read back: {e}. Restore from a backup.") from e
    return with_records(db, loose)


def with_records(db: apsw.Connection, loose: Sequence[Any]) -> list[StoredGroup]:
    """Groups (see `archive.columns.Loose`) that follow each other, with their acts and journal."""
    if not loose:
        return []
    ends = (loose[0][0], loose[-1][0])
    entries: dict[int, list[Entry]] = defaultdict(list)
    journal = f"SELECT group_number, {ENTRY} FROM journal WHERE group_number BETWEEN ? AND ? ORDER BY id"
    for number, *row in every(db, journal, ends):
        entries[number].append(Entry(*row))
    acts: dict[int, list[Act]] = defaultdict(list)
    for stored in acts_of(db, "group_number BETWEEN ? AND ? ORDER BY number", ends):
        assert stored.group is not None
        acts[stored.group].append(stored.act)
    out = []
    for number, segment, elapsed_ms, at_ms, gap_ms, plant, scans, verdicts, derived in loose:
        done = tuple(acts.get(number, ()))
        group = Group(number, at_ms, elapsed_ms, segment, plant, scans, done, gap_ms)
        out.append(StoredGroup(group, verdicts, derived, tuple(entries.get(number, ()))))
    return out
