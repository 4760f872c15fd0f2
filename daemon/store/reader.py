"""What is stored, for whoever only reads: the command line, exports, child processes.

Lives here: `Reader`, synchronous and read-only. May import: config, daemon.core, this room.
Everything long is read in slices, each a short read transaction of its own, so that the log of a running service can
always be folded in. Between two slices new groups may have come; what was yielded stays true.

A service that is stopped leaves no log and no shared memory beside the file. Where this user may not make them (a
folder that is not theirs), the file is read as it lies, and a slice is read again when a service may have written
meanwhile.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from heapq import merge
from pathlib import Path
from types import TracebackType
from typing import Any, Final, TypeVar
from urllib.parse import quote

import apsw

from config.model import Plant
from daemon.core.outcome import Blow, Calibration, Entry, ManualReading, Standing
from daemon.store import rows, schema
from daemon.store.archive import files
from daemon.store.archive.files import ArchiveFile
from daemon.store.archive.reading import Shelf
from daemon.store.chain import Chain, hash_at, verify
from daemon.store.dates import Span, moved, shifts, spans
from daemon.store.errors import StoreBroken, StoreError, StoreUnknown, translated
from daemon.store.ledger import BUSY_MS, CACHE_KIB
from daemon.store.lock import locked
from daemon.store.packing import Layout
from daemon.store.query import every, first
from daemon.store.records import (
    ClockCorrection,
    ClockSegment,
    Last,
    PlantVersion,
    Snapshot,
    StoredAct,
    StoredGroup,
    StoredMail,
    StoredNotice,
    StoreEvent,
)

T = TypeVar("T")

SLICE: Final = 500
FOREVER: Final = (1 << 63) - 1

Step = Callable[[apsw.Connection], list[tuple[Any, ...]]]


class Reader:
    """A read-only look at a store, running or stopped. Use as a context manager. Raises `StoreError` kinds only.

    Between two times means `from_ms` <= t < `to_ms`, ms UTC; None leaves that end open.
    """

    def __init__(self, path: Path | str, *, slice_rows: int = SLICE, earlier: bool = False) -> None:
        """StoreUnknown when there is no store of this program, or one of a later or an earlier version.

        `earlier`: an earlier version is taken too, for whoever asks only what every version has.
        """
        schema.check_library()
        self.path, self._slice = Path(path).resolve(), slice_rows
        self._as_it_lies, self._earlier = False, earlier
        self._db = self._connect()
        self._plants = rows.Plants(self._text, str(self.path))
        self.shelf = Shelf(files.archive_folder(self.path), self.layout)
        try:
            self._run(self._check)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Reader:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the files; may be called again."""
        self.shelf.close()
        self._db.close(True)

    @property
    def running(self) -> bool:
        """True while a service has the store open."""
        return locked(self.path)

    # ------------------------------------------------------------------ the file

    def _connect(self) -> apsw.Connection:
        if not self.path.is_file():
            raise StoreUnknown(
                f"There is no store at {self.path}. Check the path; a service makes it at its first start."
            )
        if not os.access(self.path, os.R_OK):
            raise StoreBroken(f"{self.path} may not be read by this user. Run this as the service's user.")
        try:
            try:
                self._as_it_lies = False
                return self._open("")
            except (apsw.CantOpenError, apsw.ReadOnlyError) as e:
                if self._written():
                    raise StoreBroken(
                        f"{self.path} is in use, and this user may not follow its log ({e}). "
                        "Run this as the service's user."
                    ) from e
            self._as_it_lies, self._stamp = True, self._stamped()
            return self._open("&immutable=1")
        except apsw.Error as e:
            raise translated(e, str(self.path)) from e

    def _open(self, more: str) -> apsw.Connection:
        flags = apsw.SQLITE_OPEN_READONLY | apsw.SQLITE_OPEN_URI
        db = apsw.Connection(f"file:{quote(str(self.path))}?mode=ro{more}", flags=flags)
        try:
            db.set_busy_timeout(BUSY_MS)
            db.pragma("cache_size", -CACHE_KIB)
            every(db, "SELECT count(*) FROM sqlite_schema")  # the log is opened by the first question
        except BaseException:
            db.close(True)
            raise
        return db

    def _stamped(self) -> tuple[int, int]:
        found = self.path.stat()
        return found.st_mtime_ns, found.st_size

    def _written(self) -> bool:
        """True when the file may not be read as it lies: a log beside it, or a service that has it open."""
        try:
            log = self.path.with_name(self.path.name + "-wal").stat().st_size > 0
        except OSError:
            log = False
        return log or locked(self.path)

    def _check(self, db: apsw.Connection) -> None:
        schema.check_known(db, str(self.path))
        version, latest = schema.version_of(db), len(schema.STEPS)
        if version < latest and not self._earlier:
            raise StoreUnknown(
                f"{self.path} has schema version {version}, this program reads {latest}. "
                "Start the service once; it brings the store up to date."
            )

    def _run(self, ask: Callable[[apsw.Connection], T]) -> T:
        """One short read."""
        while self._as_it_lies:
            failure: Exception | None = None
            try:
                result = ask(self._db)
            except (apsw.Error, StoreError) as e:
                failure = e
            if self._written() or self._stamped() != self._stamp:
                self._db.close(True)
                self._db = self._connect()
            elif failure is None:
                return result
            elif isinstance(failure, apsw.Error):
                raise translated(failure, str(self.path)) from failure
            else:
                raise failure
        try:
            return ask(self._db)
        except apsw.Error as e:
            raise translated(e, str(self.path)) from e

    def ask(self, question: Callable[[apsw.Connection], T]) -> T:
        """One short read of whoever knows the tables: a slice, never more. What it returns must not be lazy."""
        return self._run(question)

    def seek(self, first: int, last: int, at_ms: int) -> int:
        """The least number from which groups `first` to `last`, all of one clock segment, are dated `at_ms` or later.

        Dates as written; `last` + 1 or less where there is none.
        """
        return self._seek(first, last, at_ms)

    def spans(self) -> list[Span]:
        """The groups of each clock segment, and by how much their dates are moved when they are shown."""
        return self._spans()

    def slice_of(self, first: int, last: int, limit: int) -> list[StoredGroup]:
        """The first groups numbered `first` to `last`, at most `limit`, as they entered the engine, wherever they lie.

        Fewer only where there are no more.
        """
        out: list[StoredGroup] = []
        while first <= last and len(out) < limit:
            wanted = limit - len(out)
            # Read here first, then see where the archive ends: what is being moved is found in one or the other.
            found = self._run(lambda db: rows.groups_slice(db, self._plants, first, last, wanted))  # noqa: B023
            file = self._file_of(first)
            if file is not None:
                end = min(last, file.last_group)
                loose = self.shelf.groups(file, max(first, file.first_group), end, wanted)
                out += self._run(lambda db: rows.with_records(db, loose))  # noqa: B023
                first = loose[-1][0] + 1 if loose else end + 1
                continue
            out += found
            break
        return out

    def archive(self) -> tuple[ArchiveFile, ...]:
        """The files of the archive that hold, earliest first."""
        return self._run(lambda db: files.held(db) if not self._earlier or files.present(db) else ())

    def _file_of(self, number: int) -> ArchiveFile | None:
        """The file that holds a group, or the first one behind it; None when it lies behind them all."""

        def find(db: apsw.Connection) -> ArchiveFile | None:
            if self._earlier and not files.present(db):
                return None
            sql = (
                f"SELECT {files.COLUMNS} FROM archive_file WHERE {files.HOLDS} AND last_group >= ? "
                "ORDER BY first_group LIMIT 1"
            )
            end = files.ends(db)
            row = first(db, sql, (number,)) if end is not None and number <= end[1] else None
            return None if row is None else ArchiveFile(*row)

        return self._run(find)

    def broken(self, number: int, why: Exception) -> StoreBroken:
        """The error about a group that does not read back."""
        return StoreBroken(f"Group {number} cannot be read back: {why}. Restore from a backup.")

    def layout(self, version: int) -> Layout:
        """How a plant version's groups are packed."""
        return self._run(lambda db: self._plants.layout(version))

    def _text(self, version: int) -> str:
        return rows.text_of(self._db, version)

    # ------------------------------------------------------------------ groups

    def groups(self, from_ms: int | None = None, to_ms: int | None = None) -> Iterator[StoredGroup]:
        """Groups dated between two times, in order of their numbers, with acts and journal; dates corrected."""
        low, high = from_ms if from_ms is not None else -FOREVER, to_ms if to_ms is not None else FOREVER
        for span in self._spans():
            highest = span.last
            number = self._seek(span.first, highest, low - span.shift_ms)
            while number <= highest:
                found = self._slice_of(number, highest)
                for stored in found:
                    if stored.group.at_ms + span.shift_ms >= high:
                        break
                    yield moved(stored, span.shift_ms)
                else:
                    if found:
                        number = found[-1].group.number + 1
                        continue
                break

    def groups_after(self, number: int) -> Iterator[StoredGroup]:
        """Groups above a number, in order, as they entered the engine: dates as they were written."""
        while found := self._slice_of(number + 1, FOREVER):
            yield from found
            number = found[-1].group.number

    def group(self, number: int) -> StoredGroup | None:
        """One group by its number, None when it is not stored."""
        return next(iter(self._slice_of(number, number)), None)

    def first_number(self) -> int | None:
        """The number of the oldest group, None when there is none."""
        files_ = self.archive()
        if files_:
            return files_[0].first_group
        found = self._run(lambda db: first(db, "SELECT min(number) FROM scan_group"))
        return found[0] if found else None

    def groups_before(self, number: int) -> Iterator[StoredGroup]:
        """Groups from a number down, newest first."""
        least = self.first_number()
        if least is None:
            return
        size = min(20, self._slice)  # most often what is looked for is near
        while number >= least:
            yield from reversed(self._slice_of(max(least, number - size + 1), number))
            number, size = number - size, min(self._slice, 2 * size)

    def last_at(self, at_ms: int) -> tuple[int, ...]:
        """The number of the last group dated at or before a time in each clock segment that has one, newest first."""
        found = []
        for span in reversed(self._spans()):
            number = self._seek(span.first, span.last, at_ms - span.shift_ms + 1) - 1
            if number >= span.first:
                found.append(number)
        return tuple(found)

    def plant(self, version: int) -> Plant:
        """The plant of a version, read from its stored text. StoreBroken when it is not there or cannot be read."""
        return self._run(lambda db: self._plants.plant(version))

    def _slice_of(self, lowest: int, highest: int) -> list[StoredGroup]:
        return self.slice_of(lowest, highest, self._slice)

    def _spans(self) -> list[Span]:
        """The groups of each clock segment; inside one, dates do not go back."""
        return self._run(lambda db: spans(rows.segments_of(db), rows.corrections_of(db)))

    def _seek(self, lowest: int, highest: int, at_ms: int) -> int:
        """The least number from which groups of a segment are dated `at_ms` or later: some twenty looks."""
        for file in self.archive():
            if file.last_group < lowest or file.first_group > highest:
                continue
            if file.to_ms >= at_ms:
                found = self.shelf.seek(file, lowest, min(highest, file.last_group), at_ms)
                if found is not None:
                    return found
            lowest = file.last_group + 1
            if lowest > highest:
                return lowest
        sql = "SELECT number, at_ms FROM scan_group WHERE number BETWEEN ? AND ? ORDER BY number LIMIT 1"
        newest = "SELECT number FROM scan_group WHERE number BETWEEN ? AND ? ORDER BY number DESC LIMIT 1"

        def search(db: apsw.Connection) -> int:
            end = first(db, newest, (lowest, highest))
            low, high = lowest, end[0] + 1 if end else lowest
            while low < high:
                middle = (low + high) // 2
                row = first(db, sql, (middle, high - 1))
                if row is None or row[1] >= at_ms:
                    high = middle
                else:
                    low = row[0] + 1
            return low

        return self._run(search)

    # ------------------------------------------------------------------ records

    def _pages(
        self, columns: str, table: str, date: str, key: str, from_ms: int | None, to_ms: int | None
    ) -> Iterator[tuple[Any, ...]]:
        """Rows of a table by date, then number, in slices; each row without its date and key at the front."""
        return (row[2:] for row in self._paged(columns, table, date, key, from_ms, to_ms))

    def _dated(
        self, columns: str, table: str, date: str, key: str, from_ms: int | None, to_ms: int | None
    ) -> Iterator[tuple[int, tuple[Any, ...]]]:
        """As `_pages`, for rows that belong to a group: each with what its dates are to be moved by."""
        wrong = [s for s in self._spans() if s.shift_ms]
        if not wrong:
            return ((0, row) for row in self._pages(columns, table, date, key, from_ms, to_ms))

        def part(shift: int, where: str) -> Iterator[tuple[int, int, int, tuple[Any, ...]]]:
            low, high = (None if t is None else t - shift for t in (from_ms, to_ms))
            for row in self._paged(columns, table, date, key, low, high, where):
                yield row[0] + shift, row[1], shift, row[2:]

        inside = [(s.shift_ms, f"group_number BETWEEN {s.first} AND {s.last}") for s in wrong]
        others = " AND ".join(f"NOT {where}" for _, where in inside)
        found = merge(part(0, others), *(part(shift, where) for shift, where in inside), key=lambda r: r[:2])
        return ((shift, row) for _, _, shift, row in found)

    def _paged(
        self,
        columns: str,
        table: str,
        date: str,
        key: str,
        from_ms: int | None,
        to_ms: int | None,
        where: str = "TRUE",
    ) -> Iterator[tuple[Any, ...]]:
        sql = (
            f"SELECT {date}, {key}, {columns} FROM {table} WHERE ({date}, {key}) > (?, ?) AND {date} < ? "
            f"AND {where} ORDER BY {date}, {key} LIMIT ?"
        )
        at: tuple[int, int] = (from_ms - 1 if from_ms is not None else -FOREVER, FOREVER)
        until = to_ms if to_ms is not None else FOREVER
        while found := self._run(lambda db, after=at: every(db, sql, (*after, until, self._slice))):  # type: ignore[misc]
            yield from found
            at = (found[-1][0], found[-1][1])

    def journal(self, from_ms: int | None = None, to_ms: int | None = None) -> Iterator[Entry]:
        """The alarm journal between two times, by date; dates corrected."""
        found = self._dated(rows.ENTRY, "journal", "at_ms", "id", from_ms, to_ms)
        return (Entry(r[0] + shift, *r[1:]) for shift, r in found)

    def occurrence(self, number: int) -> tuple[Entry, ...]:
        """What the journal says of one raise of an alarm, in the order it was written."""
        sql = f"SELECT {rows.ENTRY} FROM journal WHERE occurrence = ? ORDER BY id"
        return tuple(Entry(*r) for r in self._run(lambda db: every(db, sql, (number,))))

    def blows(self, from_ms: int | None = None, to_ms: int | None = None) -> Iterator[Blow]:
        """Blows that began between two times, by their start; dates corrected."""
        found = self._dated(rows.BLOW, "blow", "start_ms", "id", from_ms, to_ms)
        return (rows.blow_of((r[0], r[1] + shift, r[2] + shift, *r[3:])) for shift, r in found)

    def calibrations(self, from_ms: int | None = None, to_ms: int | None = None) -> Iterator[Calibration]:
        """Records of calibration that apply from between two times on, by that time."""
        found = self._pages(rows.CALIBRATION, "calibration", "from_ms", "id", from_ms, to_ms)
        return (rows.calibration_of(r) for r in found)

    def manual(self, from_ms: int | None = None, to_ms: int | None = None) -> Iterator[ManualReading]:
        """What people read or measured between two times, by that time."""
        return (ManualReading(*r) for r in self._pages(rows.MANUAL, "manual_reading", "taken_ms", "id", from_ms, to_ms))

    def acts(self, from_ms: int | None = None, to_ms: int | None = None) -> Iterator[StoredAct]:
        """Acts received between two times, with their results."""
        columns = f"{rows.ACT}, group_number, result"
        found = self._pages(columns, "act", "received_ms", "number", from_ms, to_ms)
        return (StoredAct(rows.act_of(r[:5]), r[5], r[6]) for r in found)

    def act(self, number: int) -> StoredAct | None:
        """One act by its number, None when there is none."""
        sql = f"SELECT {rows.ACT}, group_number, result FROM act WHERE number = ?"
        row = self._run(lambda db: first(db, sql, (number,)))
        return None if row is None else StoredAct(rows.act_of(row[:5]), row[5], row[6])

    def mails(self, state: str | None = None) -> Iterator[StoredMail]:
        """Mails in the order they were written: all, or those waiting, sent or refused."""
        sql = f"SELECT {rows.MAIL} FROM outbox WHERE id > ? AND (? IS NULL OR state = ?) ORDER BY id LIMIT ?"
        last = 0
        while found := self._run(lambda db, after=last: every(db, sql, (after, state, state, self._slice))):  # type: ignore[misc]
            for row in found:
                yield StoredMail(*row)
            last = found[-1][0]

    def mail_state(self, key: str) -> tuple[str, str]:
        """What became of a mail, and what was said to it; "" and "" where there is none of this key."""
        found = self._run(lambda db: first(db, "SELECT state, note FROM outbox WHERE key = ?", (key,)))
        return (str(found[0]), str(found[1])) if found else ("", "")

    def mail_counts(self) -> dict[str, int]:
        """How many mails are waiting, sent, refused."""
        found = self._run(lambda db: every(db, "SELECT state, count(*) FROM outbox GROUP BY state"))
        return {"waiting": 0, "sent": 0, "refused": 0} | dict(found)

    def notices(self) -> Iterator[StoredNotice]:
        """Notices in the order the engine found them."""
        sql = "SELECT id, key, at_ms, body, direct, dealt_ms FROM notice WHERE id > ? ORDER BY id LIMIT ?"
        last = 0
        while found := self._run(lambda db, after=last: every(db, sql, (after, self._slice))):  # type: ignore[misc]
            for number, key, at_ms, body, direct, dealt_ms in found:
                yield StoredNotice(number, key, at_ms, body, bool(direct), dealt_ms)
            last = found[-1][0]

    def notices_waiting(self) -> int:
        """How many notices wait for the moment to be told: quiet hours, or one mail instead of a flood."""
        found = self._run(lambda db: every(db, "SELECT count(*) FROM notice WHERE dealt_ms IS NULL"))
        return int(found[0][0])

    def remembered(self, name: str) -> str:
        """What the one who decides who is told keeps under a name, "" for nothing."""
        found = self._run(lambda db: first(db, "SELECT body FROM dealer WHERE name = ?", (name,)))
        return str(found[0]) if found else ""

    def standing(self) -> tuple[Standing, ...]:
        """Alarms as they stand now, oldest first."""
        sql = f"SELECT {rows.STANDING} FROM standing ORDER BY since_ms, occurrence, target, kind, name"
        return tuple(Standing(*r) for r in self._run(lambda db: every(db, sql)))

    def last(self) -> Last | None:
        """The newest stored group, None when there is none."""
        return self._run(rows.last_of)

    def plant_versions(self) -> tuple[PlantVersion, ...]:
        """Every plant file that ever held, oldest first."""
        return self._run(rows.versions_of)

    def clock_segments(self) -> tuple[ClockSegment, ...]:
        """Every clock segment, oldest first."""
        return self._run(rows.segments_of)

    def clock_corrections(self) -> tuple[ClockCorrection, ...]:
        """What was found out later about the clock, oldest first."""
        return self._run(rows.corrections_of)

    def shifts(self) -> dict[int, int]:
        """By how many ms the dates of each corrected clock segment are moved when they are shown."""
        return shifts(self.clock_corrections())

    def snapshots(self) -> tuple[Snapshot, ...]:
        """The engine states kept, newest first."""
        return self._run(lambda db: rows.snapshots_of(db, 100))

    def events(self) -> tuple[StoreEvent, ...]:
        """What happened to the store itself, oldest first."""
        sql = "SELECT at_ms, kind, text FROM store_event ORDER BY id"
        return tuple(StoreEvent(*r) for r in self._run(lambda db: every(db, sql)))

    def copied(self, destination: str) -> tuple[int, int]:
        """The last poll that the copy to a destination is known to have taken, and when that was noted; 0, 0: never."""
        sql = "SELECT group_number, at_ms FROM copy_cursor WHERE destination = ?"
        found = self._run(lambda db: first(db, sql, (destination,)))
        return (int(found[0]), int(found[1])) if found else (0, 0)

    # ------------------------------------------------------------------ soundness

    def head(self) -> tuple[int, str]:
        """How many records are chained, and the hash of the last in hex."""
        chain = Chain()
        self._run(chain.load)
        return chain.seq, chain.head.hex()

    def hash_at(self, seq: int) -> str | None:
        """The hash of the chain's record `seq` in hex, None when there is none."""
        return self._run(lambda db: hash_at(db, seq))

    def copy_to(
        self, path: Path, progress: Callable[[int, int], None] = lambda done, of: None, pages: int = 2000
    ) -> None:
        """Copy the store as it is at one instant into a new file, which stands by itself: no log, no shared memory.

        The service's log grows meanwhile: for a process that does only this. Raises StoreError; OSError.
        """
        if path.exists():
            raise FileExistsError(f"{path} is there already.")

        def work(db: apsw.Connection) -> None:
            out = apsw.Connection(str(path))
            try:
                db.execute("BEGIN")  # held over all steps, so that no commit makes the copy begin again
                try:
                    first(db, "SELECT count(*) FROM sqlite_schema")
                    with out.backup("main", db, "main") as copying:
                        while not copying.done:
                            copying.step(pages)
                            progress(copying.page_count - copying.remaining, copying.page_count)
                finally:
                    db.execute("ROLLBACK")
                out.pragma("synchronous", 2)
                out.pragma("journal_mode", "delete")
            finally:
                out.close(True)

        self._run(work)
        with path.open("rb") as file:
            os.fsync(file.fileno())

    def integrity(self) -> tuple[str, ...]:
        """What is wrong with the file and the chain of records, one sentence each; nothing when all is well.

        Reads the whole file in one go: for a copy, or a service that can spare a growing log meanwhile.
        """
        try:
            found = self._run(lambda db: [str(r[0]) for r in every(db, "PRAGMA quick_check(20)")])
            if found != ["ok"]:
                return tuple(found)
            return tuple(self._run(_chain_at_one_instant))
        except StoreBroken as e:
            return (str(e),)


def _chain_at_one_instant(db: apsw.Connection) -> list[str]:
    db.execute("BEGIN")
    try:
        return list(verify(db))
    finally:
        db.execute("ROLLBACK")


__all__ = ["Reader", "StoreError"]
