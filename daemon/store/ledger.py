"""Every change of the store, each one transaction: all of it durable, or nothing changed.

Lives here: the statements of the writing connection. Synchronous; runs in that connection's own thread, one call at a
time (see writer.py). May import: config, daemon.core, this room.

After any failure the connection is rolled back and what is known of the file (last group, head of the chain) is read
again inside the next transaction. The log is folded into the file by us, after a commit and apart from it, so that a
commit that stands is never reported as failed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import apsw

from config.model import Plant
from daemon.core.outcome import Entry, GroupOutcome
from daemon.core.scan import Act, Group
from daemon.store import dealing, mending, putting_away, rows, schema
from daemon.store.archive import files
from daemon.store.archive.files import ArchiveFile
from daemon.store.chain import Chain
from daemon.store.errors import StoreBroken, StoreError, StoreRefused, translated
from daemon.store.packing import PackingError, pack_derived
from daemon.store.query import every, first
from daemon.store.records import (
    ClockCorrection,
    ClockSegment,
    Dealt,
    Last,
    MailRow,
    NoticeRow,
    QueuedMail,
    Snapshot,
    StoredGroup,
    ToDeal,
)
from daemon.store.rolling import INSERT, Closing, Known, Roller

T = TypeVar("T")

KEEP_SNAPSHOTS: Final = 5
BUSY_MS: Final = 5000
CACHE_KIB: Final = 512
WAL_PAGES: Final = 1000  # checkpoint after 4 MB of log
WAL_LIMIT: Final = 16 << 20  # bytes the log file may keep after a long reader

_ONE_GROUP: Final = f"BEGIN IMMEDIATE; {rows.INSERT_GROUP}; COMMIT"
_AND_MINUTE: Final = f"BEGIN IMMEDIATE; {rows.INSERT_GROUP}; {INSERT[0]}; COMMIT"


class Ledger:
    """The writing connection and what it must remember between commits."""

    def __init__(self, db: apsw.Connection, path: Path, *, durable: bool) -> None:
        self.path = path
        self._db = db
        self._chain = Chain()
        self._last: Last | None = None
        self._segment_seen = -1  # segment whose first group is stored
        self._known: dict[str, set[int]] = {"plant": set(), "segment": set()}
        self._fresh = False  # False: what is remembered must be read again first
        self._log_pages = 0
        self.fold_error = ""
        self._plants = rows.Plants(lambda version: rows.text_of(db, version), str(path))
        self._rolling = Known(self._plants.plant, self._plants.layout)
        self._roller = Roller(self._rolling)
        try:
            self._open(durable)
        except apsw.Error as e:
            raise self._translated(e) from e

    def _open(self, durable: bool) -> None:
        db = self._db
        db.set_busy_timeout(BUSY_MS)
        schema.check_known(db, str(self.path))
        db.pragma("journal_mode", "wal")
        db.pragma("synchronous", 2 if durable else 1)
        db.pragma("cache_size", -CACHE_KIB)
        db.pragma("journal_size_limit", WAL_LIMIT)
        db.set_wal_hook(self._logged)
        self.migrated = schema.migrate(db, str(self.path))
        self._load()

    # ------------------------------------------------------------------ transactions

    def _load(self) -> None:
        """Read what is remembered between commits from the file."""
        db = self._db
        self._chain.load(db)
        self._last = rows.last_of(db)
        self._known["plant"] = {r[0] for r in every(db, "SELECT version FROM plant_version")}
        segments = rows.segments_of(db)
        self._known["segment"] = {s.segment for s in segments}
        begun = [s for s in segments if s.first_group is not None]
        self._segment_seen = max(begun, key=lambda s: s.first_group or 0).segment if begun else -1
        if (self._last.number if self._last else None) != self._roller.last:
            try:
                self._roller.load(db)
            except (StoreBroken, PackingError):  # doctor tells; the groups to come make figures of their own
                self._roller = Roller(self._rolling)
        self._fresh = True

    def _logged(self, db: apsw.Connection, name: str, pages: int) -> int:
        """Called by SQLite after each commit with the length of the log. Takes the place of its own folding."""
        self._log_pages = pages
        return apsw.SQLITE_OK

    def _fold(self) -> None:
        """Fold the log into the file when it is long. A failure costs nothing but a longer log; it is tried again."""
        if self._log_pages < WAL_PAGES:
            return
        try:
            self._db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
            self.fold_error = ""
        except apsw.Error as e:
            self.fold_error = str(self._translated(e))

    def _translated(self, error: apsw.Error) -> StoreError:
        try:
            number = self._db.system_errno
        except apsw.Error:
            number = 0
        return translated(error, str(self.path), number)

    def _write(self, work: Callable[[apsw.Connection], T]) -> T:
        """Run `work` in a transaction of its own. On any error everything is as it was, and a StoreError is raised."""
        db = self._db
        try:
            db.execute("BEGIN IMMEDIATE")
            if not self._fresh:
                self._load()
            result = work(db)
            db.execute("COMMIT")
        except BaseException as e:
            self._failed(e)
            raise
        self._fold()
        return result

    def _failed(self, error: BaseException) -> None:
        """Roll back; raise one of ours for what is a fault of the disk or of the values handed in."""
        self._fresh = False
        found = self._translated(error) if isinstance(error, apsw.Error) else None
        try:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
        except apsw.Error:
            pass  # the next BEGIN reports it if it still matters
        if found:
            raise found from error
        if isinstance(error, TypeError | ValueError | OverflowError):
            raise StoreRefused(f"{self.path}: a value cannot be stored: {error}") from error

    def _read(self, work: Callable[[apsw.Connection], T]) -> T:
        try:
            return work(self._db)
        except apsw.Error as e:
            raise self._translated(e) from e

    # ------------------------------------------------------------------ groups

    def commit(
        self,
        plant: Plant,
        group: Group,
        outcome: GroupOutcome,
        mails: Sequence[MailRow] = (),
        snapshot: Snapshot | None = None,
        notices: Sequence[NoticeRow] = (),
    ) -> None:
        """Store a group with all it led to. See `Writer.commit`."""
        if outcome.number != group.number:
            raise StoreRefused(f"The outcome of group {outcome.number} was handed in with group {group.number}.")
        try:
            body = self._plants.learn(group.plant, plant).pack(group.scans, outcome.verdicts)
            derived = pack_derived(outcome.derived)
        except PackingError as e:
            raise StoreRefused(f"Group {group.number} cannot be stored: {e}.") from e
        number, segment = group.number, group.segment
        row = (number, segment, group.elapsed_ms, group.at_ms, group.gap_ms, group.plant, body, derived)
        more = bool(
            (
                outcome.journal
                or outcome.standing
                or outcome.blows
                or outcome.acts
                or group.acts
                or mails
                or snapshot
                or notices
            )
            or (outcome.calibrations or outcome.manual)
        )
        stored = (group.scans, outcome.verdicts, outcome.derived)
        closed: Closing | None = None
        if more or not self._fresh or segment != self._segment_seen:
            closed = self._write(lambda db: self._commit_more(db, row, group, outcome, mails, snapshot, notices))
        else:
            closed = self._commit_group(group, row)
        if closed is None:
            self._roller.add(number, stored)
        else:
            self._roller.begin(closed, segment, group.plant, group.at_ms, number, stored)
        self._last = Last(number, group.at_ms, group.elapsed_ms, segment, group.plant)
        self._segment_seen = segment

    def _commit_group(self, group: Group, row: tuple[Any, ...]) -> Closing | None:
        """A group that leads to nothing but, at most, the end of a minute: one call of SQLite."""
        self._check_next(group)
        closed: Closing | None = None
        sql, values = _ONE_GROUP, row
        if not self._roller.belongs(group.segment, group.plant, group.at_ms):
            closed = self._roller.closing(group.segment, group.plant, group.at_ms)
            if len(closed.rows) > 1:
                return self._write(lambda db: self._insert(db, group, row))
            if closed.rows:
                sql, values = _AND_MINUTE, (*row, *closed.rows[0][1])
        try:
            self._db.execute(sql, values)
        except BaseException as e:
            self._failed(e)
            raise
        self._fold()
        return closed

    def _insert(self, db: apsw.Connection, group: Group, row: tuple[Any, ...]) -> Closing | None:
        """The row of a group and those of what its coming closes; None where it is of the open minute."""
        self._check_next(group)
        db.execute(rows.INSERT_GROUP, row)
        if self._roller.belongs(group.segment, group.plant, group.at_ms):
            return None
        closed = self._roller.closing(group.segment, group.plant, group.at_ms)
        for level, figures in closed.rows:
            db.execute(INSERT[level], figures)
        return closed

    def _check_next(self, group: Group) -> None:
        """Raise StoreRefused unless the group follows the last one."""
        last = self._last
        if last:
            gap = group.gap_ms > 0 and group.number > last.number
            if group.number != last.number + 1 and not gap:
                raise StoreRefused(f"Group {group.number} does not follow group {last.number}, the last one stored.")
            if group.elapsed_ms < last.elapsed_ms:
                raise StoreRefused(
                    f"Group {group.number} is at {group.elapsed_ms} ms of elapsed time, "
                    f"before the {last.elapsed_ms} ms of group {last.number}."
                )
        elif group.number < 0:
            raise StoreRefused(f"Group {group.number}: numbers begin at 0 or above.")
        for what, number in (("plant", group.plant), ("segment", group.segment)):
            if number not in self._known[what]:
                raise StoreRefused(f"Group {group.number} names {what} {number}, which is not stored.")

    def _commit_more(
        self,
        db: apsw.Connection,
        row: tuple[Any, ...],
        group: Group,
        outcome: GroupOutcome,
        mails: Sequence[MailRow],
        snapshot: Snapshot | None,
        notices: Sequence[NoticeRow],
    ) -> Closing | None:
        """All that goes with a group; what its coming closes, None where it is of the open minute."""
        closed = self._insert(db, group, row)
        if group.segment != self._segment_seen:
            db.execute(
                "UPDATE clock_segment SET first_group = ? WHERE segment = ? AND first_group IS NULL",
                (group.number, group.segment),
            )
        for entry in outcome.journal:
            self._journal(db, group.number, entry)
        for standing in outcome.standing:
            values = rows.standing_row(standing)
            if standing.state == "normal":
                db.execute("DELETE FROM standing WHERE target = ? AND kind = ? AND name = ?", values[:3])
            else:
                db.execute(f"INSERT OR REPLACE INTO standing ({rows.STANDING}) VALUES ({_marks(values)})", values)
        for blow in outcome.blows:
            values = (group.number, *rows.blow_row(blow))
            db.execute(f"INSERT INTO blow (group_number, {rows.BLOW}) VALUES ({_marks(values)})", values)
        for calibration in outcome.calibrations:
            self._record(db, "calibration", rows.CALIBRATION, rows.calibration_row(calibration))
        for reading in outcome.manual:
            self._record(db, "manual_reading", rows.MANUAL, rows.manual_row(reading))
        results = dict(outcome.acts)
        for number in sorted({a.number for a in group.acts} | results.keys()):
            self._apply(db, group.number, number, results.get(number))
        for mail in mails:
            dealing.add_mail(db, mail)
        for notice in notices:
            dealing.add_notice(db, notice)
        if snapshot:
            values = (snapshot.format, snapshot.plant, snapshot.group, snapshot.body)
            db.execute(f"INSERT INTO snapshot ({rows.SNAPSHOT}) VALUES (?, ?, ?, ?)", values)
            newest = "SELECT id FROM snapshot ORDER BY id DESC LIMIT ?"
            db.execute(f"DELETE FROM snapshot WHERE id NOT IN ({newest})", (KEEP_SNAPSHOTS,))
        return closed

    def ask_mend(self, first_group: int, last_group: int) -> None:
        """See `Writer.ask_mend`."""
        self._write(lambda db: mending.ask(db, first_group, last_group))

    def thin_minutes(self, keep: int) -> bool:
        """See `Writer.thin_minutes`."""
        return self._write(lambda db: mending.thin(db, keep))

    def mend_figures(self) -> bool:
        """See `Writer.mend_figures`."""
        try:
            return self._write(lambda db: mending.mend(db, self._rolling, self._roller))
        except BaseException:
            self._roller.last = None  # what was reloaded for it is read again
            raise

    def _journal(self, db: apsw.Connection, group: int, entry: Entry) -> None:
        values = (group, *rows.entry_row(entry))
        db.execute(f"INSERT INTO journal (group_number, {rows.ENTRY}) VALUES ({_marks(values)})", values)
        *before, person, quality = values
        chained = f"{person}\x1f{quality}" if quality else person
        self._chain.add(db, "journal", (db.last_insert_rowid(), *before, chained))

    def _record(self, db: apsw.Connection, table: str, columns: str, values: tuple[Any, ...]) -> None:
        db.execute(f"INSERT INTO {table} ({columns}) VALUES ({_marks(values)})", values)
        self._chain.add(db, table, (db.last_insert_rowid(), *values))

    def _apply(self, db: apsw.Connection, group: int, number: int, result: str | None) -> None:
        told = None if result is None else rows.text(result)
        db.execute(
            "UPDATE act SET group_number = ?, result = ? WHERE number = ? AND group_number IS NULL",
            (group, told, number),
        )
        if db.changes() != 1:
            raise StoreRefused(f"Group {group} applies act {number}, which does not wait to be applied.")
        self._chain.add(db, "act applied", (number, group, told))

    # ------------------------------------------------------------------ plant, clock, acts

    def add_plant_version(self, text: str, sha256: str, at_ms: int) -> int:
        """See `Writer.add_plant_version`."""
        if hashlib.sha256(text.encode()).hexdigest() != sha256:
            raise StoreRefused(f"The plant file's SHA-256 is not {sha256}.")

        def work(db: apsw.Connection) -> int:
            newest = first(db, "SELECT version, sha256 FROM plant_version ORDER BY version DESC LIMIT 1")
            if newest and newest[1] == sha256:
                return int(newest[0])
            version = int(newest[0]) + 1 if newest else 1
            values = (version, at_ms, sha256, text)
            db.execute(f"INSERT INTO plant_version ({rows.VERSION}) VALUES (?, ?, ?, ?)", values)
            self._chain.add(db, "plant_version", values)
            return version

        version = self._write(work)
        self._known["plant"].add(version)
        return version

    def open_segment(
        self,
        run: str,
        elapsed_ms: int,
        at_ms: int,
        why: str,
        doubt: str = "",
        corrections: Sequence[ClockCorrection] = (),
    ) -> int:
        """See `Writer.open_segment`."""

        def work(db: apsw.Connection) -> int:
            db.execute(
                "INSERT INTO clock_segment (run, elapsed_ms, at_ms, why, doubt) VALUES (?, ?, ?, ?, ?)",
                (run, elapsed_ms, at_ms, rows.text(why), rows.text(doubt)),
            )
            segment = db.last_insert_rowid()
            for correction in corrections:
                self._correct(db, correction)
            return segment

        segment = self._write(work)
        self._known["segment"].add(segment)
        return segment

    def correct_clock(self, correction: ClockCorrection) -> None:
        """See `Writer.correct_clock`."""
        self._write(lambda db: self._correct(db, correction))

    def _correct(self, db: apsw.Connection, c: ClockCorrection) -> None:
        if first(db, "SELECT 1 FROM clock_segment WHERE segment = ?", (c.segment,)) is None:
            raise StoreRefused(f"There is no clock segment {c.segment}.")
        values = (c.segment, c.shift_ms, c.made_ms, rows.text(c.why), rows.text(c.person))
        self._record(db, "clock_correction", rows.CORRECTION, values)

    def add_act(self, kind: str, by: str, body: Mapping[str, Any], received_ms: int) -> int:
        """See `Writer.add_act`."""
        try:
            values = (rows.text(kind), rows.text(by), received_ms, rows.act_body(body))
        except (TypeError, ValueError) as e:
            raise StoreRefused(f"The act {kind!r} of {by!r} cannot be stored: {e}.") from e

        def work(db: apsw.Connection) -> int:
            db.execute("INSERT INTO act (kind, person, received_ms, body) VALUES (?, ?, ?, ?)", values)
            number = db.last_insert_rowid()
            self._chain.add(db, "act", (number, *values))
            return number

        return self._write(work)

    def add_event(self, kind: str, text: str, at_ms: int) -> None:
        """See `Writer.add_event`."""
        values = (at_ms, kind, rows.text(text))
        self._write(lambda db: db.execute("INSERT INTO store_event (at_ms, kind, text) VALUES (?, ?, ?)", values))

    # ------------------------------------------------------------------ archive, see putting_away.py

    def archived(self, file: ArchiveFile) -> None:
        """See `Writer.archived`."""
        self._write(lambda db: self._chain.add(db, "archive_file", putting_away.record(db, file)))

    def drop_archived(self, first_group: int, last_group: int) -> bool:
        """See `Writer.drop_archived`."""
        return self._write(lambda db: putting_away.drop(db, first_group, last_group))

    def archive_removed(self, names: Sequence[str], at_ms: int) -> None:
        """See `Writer.archive_removed`."""
        self._write(lambda db: putting_away.give_up(db, names, at_ms))

    def archive(self) -> tuple[tuple[ArchiveFile, ...], tuple[ArchiveFile, ...]]:
        """See `Writer.archive`."""
        return self._read(lambda db: (files.held(db), files.superseded(db)))

    def waits_to_go(self) -> tuple[int, int] | None:
        """See `Writer.waits_to_go`."""
        return self._read(putting_away.waits)

    def job_done(self, name: str, at_ms: int, text: str) -> None:
        """See `Writer.job_done`."""
        sql = (
            "INSERT INTO job_done (name, at_ms, text) VALUES (?, ?, ?) "
            "ON CONFLICT (name) DO UPDATE SET at_ms = excluded.at_ms, text = excluded.text"
        )
        self._write(lambda db: db.execute(sql, (name, at_ms, rows.text(text))))

    def last_done(self, name: str) -> int | None:
        """See `Writer.last_done`."""
        row = self._read(lambda db: first(db, "SELECT at_ms FROM job_done WHERE name = ?", (name,)))
        return None if row is None else int(row[0])

    # ------------------------------------------------------------------ the copy elsewhere

    def copied(self, destination: str, group: int, corrections: int, at_ms: int) -> None:
        """See `Writer.copied`."""
        values = (rows.text(destination), group, corrections, at_ms)
        self._write(lambda db: db.execute("INSERT OR REPLACE INTO copy_cursor VALUES (?, ?, ?, ?)", values))

    def copy_cursor(self, destination: str) -> tuple[int, int]:
        """See `Writer.copy_cursor`."""
        sql = "SELECT group_number, corrections FROM copy_cursor WHERE destination = ?"
        found = self._read(lambda db: first(db, sql, (rows.text(destination),)))
        return (int(found[0]), int(found[1])) if found else (0, 0)

    # ------------------------------------------------------------------ mails

    def to_deal(self) -> ToDeal:
        return self._read(dealing.to_deal)

    def deal(self, dealt: Dealt, at_ms: int) -> None:
        """See `Writer.deal`."""
        self._write(lambda db: dealing.deal(db, dealt, at_ms))

    def settle_mail(self, mail_id: int, state: str, note: str, *, next_ms: int = 0, done_ms: int | None = None) -> None:
        """A try of a waiting mail has ended: it is sent, refused, or waits until `next_ms`."""

        def work(db: apsw.Connection) -> None:
            db.execute(
                "UPDATE outbox SET state = ?, note = ?, next_ms = ?, done_ms = ?, tries = tries + 1 "
                "WHERE id = ? AND state = 'waiting'",
                (state, rows.text(note), next_ms, done_ms, mail_id),
            )
            if db.changes() != 1:
                raise StoreRefused(f"Mail {mail_id} does not wait to be sent.")

        self._write(work)

    def record_sent(self, mail: MailRow, at_ms: int, note: str) -> None:
        """See `Writer.record_sent`."""

        def work(db: apsw.Connection) -> None:
            dealing.add_mail(db, mail)
            db.execute(
                "UPDATE outbox SET state = 'sent', done_ms = ?, note = ?, tries = tries + 1 "
                "WHERE key = ? AND state = 'waiting'",
                (at_ms, rows.text(note), rows.text(mail.key)),
            )

        self._write(work)

    # ------------------------------------------------------------------ reading back

    def last(self) -> Last | None:
        return self._read(rows.last_of)

    def head(self) -> tuple[int, str]:
        def work(db: apsw.Connection) -> tuple[int, str]:
            chain = Chain()
            chain.load(db)
            return chain.seq, chain.head.hex()

        return self._read(work)

    def clock(self) -> tuple[tuple[ClockSegment, ...], tuple[ClockCorrection, ...]]:
        return self._read(lambda db: (rows.segments_of(db), rows.corrections_of(db)))

    def newest_snapshot(self) -> Snapshot | None:
        return next(iter(self._read(lambda db: rows.snapshots_of(db, 1))), None)

    def groups_slice(self, after: int, limit: int) -> list[StoredGroup]:
        return self._read(lambda db: rows.groups_slice(db, self._plants, after + 1, (1 << 62), limit))

    def plant_text(self, version: int) -> str:
        try:
            return self._read(lambda db: rows.text_of(db, version))
        except KeyError:
            raise StoreRefused(f"{self.path} has no plant version {version}.") from None

    def pending_mails(self, now_ms: int, limit: int) -> list[QueuedMail]:
        return self._read(lambda db: rows.queued_of(db, now_ms, limit))

    def pending_acts(self) -> list[Act]:
        return [a.act for a in self._read(lambda db: rows.acts_of(db, "group_number IS NULL ORDER BY number", ()))]


def _marks(values: tuple[Any, ...]) -> str:
    return ", ".join("?" * len(values))
