"""The one writer of a store, for the event loop: every method is one call of the connection's own thread.

Lives here: opening (lock, reserve, schema) and the asynchronous face of `ledger.py`. May import: config, daemon.core,
this room. A call whose task is cancelled still runs to its end: a commit is never left half known.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, TypeVar, cast

import apsw

from config.model import Plant
from daemon.core.outcome import GroupOutcome
from daemon.core.scan import Act, Group
from daemon.store.archive.files import ArchiveFile
from daemon.store.errors import StoreBroken, StoreError, StoreFull, translated
from daemon.store.ledger import Ledger
from daemon.store.lock import StoreLock
from daemon.store.records import (
    ClockCorrection,
    ClockSegment,
    Cursor,
    Dealt,
    Last,
    MailRow,
    NoticeRow,
    QueuedMail,
    Snapshot,
    StoredGroup,
    ToDeal,
)
from daemon.store.reserve import Reserve
from daemon.store.schema import check_library

T = TypeVar("T")

RESERVE: Final = 8 << 20
SLICE: Final = 200


class Writer:
    """The writing connection of a store; made by `open`. All methods raise `StoreError` and its kinds only."""

    def __init__(self, db: apsw.AsyncConnection, ledger: Ledger, lock: StoreLock, reserve: Reserve) -> None:
        self._db, self._ledger, self._lock, self._reserve = db, ledger, lock, reserve
        self.path = ledger.path
        self.migrated = ledger.migrated
        """Schema versions found and reached at opening."""

    @classmethod
    async def open(
        cls,
        path: Path | str,
        *,
        durable: bool = True,
        reserve_bytes: int = RESERVE,
        owner: str,
        vfs: str | None = None,
    ) -> Writer:
        """Open the store, making or migrating it.

        `durable`: a commit that returned survives a power cut; else the last seconds may be lost, never more.
        `owner`: the plant's name, for the message to a second instance. `vfs`: SQLite's way to the disk, for tests.
        A full disk at this point costs the reserve. Raises StoreBusy, StoreUnknown, StoreFull, StoreReadOnly,
        StoreBroken.
        """
        opening = asyncio.ensure_future(cls._opened(path, durable, reserve_bytes, owner, vfs))
        try:
            return await asyncio.shield(opening)
        except asyncio.CancelledError:
            # broken off half-way: the connection's thread would keep the process from ending
            with suppress(StoreError):
                await (await opening).aclose()
            raise

    @classmethod
    async def _opened(cls, path: Path | str, durable: bool, reserve_bytes: int, owner: str, vfs: str | None) -> Writer:
        check_library()
        whole = Path(path).resolve()
        try:
            whole.parent.mkdir(parents=True, exist_ok=True)
        except OSError as e:
            raise StoreBroken(f"The folder {whole.parent} cannot be made ({e.strerror}). Check who owns it.") from e
        lock = StoreLock(whole, owner)
        reserve = Reserve(whole, reserve_bytes)
        try:
            try:
                db, ledger = await _connect(whole, durable, vfs)
            except StoreFull:
                if not reserve.release():
                    raise
                db, ledger = await _connect(whole, durable, vfs)
            else:
                await asyncio.to_thread(reserve.restore)
        except BaseException:
            lock.release()
            raise
        return cls(db, ledger, lock, reserve)

    async def _run(self, call: Callable[..., T], *args: Any, **kwargs: Any) -> T:
        """One call in the connection's thread, finished even when the caller is cancelled."""
        return cast(T, await asyncio.shield(asyncio.ensure_future(self._db.async_run(call, *args, **kwargs))))

    async def aclose(self) -> None:
        """Close the file (its log is folded in when no reader has it open) and let go of the lock."""
        try:
            await self._db.aclose()
        finally:
            self._lock.release()

    # ------------------------------------------------------------------ writing

    async def commit(
        self,
        plant: Plant,
        group: Group,
        outcome: GroupOutcome,
        mails: Sequence[MailRow] = (),
        snapshot: Snapshot | None = None,
        notices: Sequence[NoticeRow] = (),
    ) -> None:
        """Store one group with all it led to, in one transaction; when it returns, all of it is on the disk.

        `plant` is the plant of version `group.plant`. Writes journal entries, changes of standing alarms, blows, the
        acts of the group with their results, mails and notices (the same again is ignored), and the snapshot (the
        newest 5 stay). StoreFull, StoreReadOnly, StoreBroken: nothing was stored, call again with the same group.
        StoreRefused: the group does not follow the last one (by number, or by any number above with `gap_ms` > 0;
        elapsed time never back), names an unknown plant version or segment, applies an act that does not wait, or does
        not fit its plant.
        """
        await self._run(self._ledger.commit, plant, group, outcome, mails, snapshot, notices)

    async def add_plant_version(self, text: str, sha256: str, at_ms: int) -> int:
        """The version number of a plant file: the newest one's when the text is the same, else a new one."""
        return await self._run(self._ledger.add_plant_version, text, sha256, at_ms)

    async def open_segment(
        self,
        run: str,
        elapsed_ms: int,
        at_ms: int,
        why: str,
        *,
        doubt: str = "",
        corrections: Sequence[ClockCorrection] = (),
    ) -> int:
        """A new clock segment: from now on `elapsed_ms` was `at_ms`. Returns its number.

        `doubt`: why its dates are doubted; `corrections`: of earlier segments, in the same transaction.
        """
        return await self._run(self._ledger.open_segment, run, elapsed_ms, at_ms, why, doubt, corrections)

    async def correct_clock(self, correction: ClockCorrection) -> None:
        """Record that the dates of a segment are off. What is stored stays as it is; readers show corrected dates."""
        await self._run(self._ledger.correct_clock, correction)

    async def clock(self) -> tuple[tuple[ClockSegment, ...], tuple[ClockCorrection, ...]]:
        """Every clock segment and every correction, oldest first."""
        return await self._run(self._ledger.clock)

    async def add_act(self, kind: str, by: str, body: Mapping[str, Any], received_ms: int) -> int:
        """Store what a person did, before it is applied; returns its number. `body` must be JSON."""
        return await self._run(self._ledger.add_act, kind, by, body, received_ms)

    async def copied(self, destination: str, cursor: Cursor, at_ms: int) -> None:
        """The copy to a central server has come so far."""
        await self._run(self._ledger.copied, destination, cursor.group, cursor.corrections, at_ms)

    async def copy_cursor(self, destination: str) -> Cursor:
        """How far the copy to a destination has come; at the beginning for one never heard of."""
        return Cursor(*await self._run(self._ledger.copy_cursor, destination))

    async def add_event(self, kind: str, text: str, at_ms: int) -> None:
        """Record something about the store itself: reserve released, space back, schema migrated."""
        await self._run(self._ledger.add_event, kind, text, at_ms)

    async def mend_figures(self) -> bool:
        """Work out a slice of the minutes, hours and days that are missing; False when none are. Some tens of ms."""
        return await self._run(self._ledger.mend_figures)

    async def ask_mend(self, first_group: int, last_group: int) -> None:
        """Note that the minutes, hours and days of a range of groups are to be worked out again."""
        await self._run(self._ledger.ask_mend, first_group, last_group)

    async def thin_minutes(self, keep: int) -> bool:
        """Let go of a slice of the minutes behind the newest `keep`; True when more may be left. Hours, days stay."""
        return await self._run(self._ledger.thin_minutes, keep)

    # ------------------------------------------------------------------ archive

    async def archived(self, file: ArchiveFile) -> None:
        """Record a file of the archive that is on the disk and proven; from now on its groups are read from it.

        What it holds and another file held until now has replaced that one. StoreRefused when it does not hold exactly
        the groups that lie in this store and in the files it replaces, or leaves some out in front of it.
        """
        await self._run(self._ledger.archived, file)

    async def drop_archived(self, first_group: int, last_group: int) -> bool:
        """Remove a slice of groups that a recorded file holds; False when none are left.

        The caller has just seen that the file is whole. Groups outside recorded files are never removed.
        """
        return await self._run(self._ledger.drop_archived, first_group, last_group)

    async def archive(self) -> tuple[tuple[ArchiveFile, ...], tuple[ArchiveFile, ...]]:
        """The files that hold, earliest first; and the last hundred that another replaced or that were given up."""
        return await self._run(self._ledger.archive)

    async def waits_to_go(self) -> tuple[int, int] | None:
        """The first and the last group that lies here and in a recorded file too, None when there is none."""
        return await self._run(self._ledger.waits_to_go)

    async def archive_removed(self, names: Sequence[str], at_ms: int) -> None:
        """Record that files are given up because the time to keep them is over."""
        await self._run(self._ledger.archive_removed, names, at_ms)

    async def job_done(self, name: str, at_ms: int, text: str = "") -> None:
        """Note that a job that comes again and again was done, and with what result."""
        await self._run(self._ledger.job_done, name, at_ms, text)

    async def last_done(self, name: str) -> int | None:
        """When a job was done last, ms UTC; None when it never was."""
        return await self._run(self._ledger.last_done, name)

    # ------------------------------------------------------------------ mails

    async def pending_mails(self, now_ms: int, limit: int) -> list[QueuedMail]:
        """Mails that wait and are due, those due longest first."""
        return await self._run(self._ledger.pending_mails, now_ms, limit)

    async def to_deal(self) -> ToDeal:
        """Notices of which nobody has decided whom they go to, and what deciding rests on."""
        return await self._run(self._ledger.to_deal)

    async def deal(self, dealt: Dealt, at_ms: int) -> None:
        """Store what was decided, in one transaction: mails, notices decided, mails withdrawn, what is remembered."""
        await self._run(self._ledger.deal, dealt, at_ms)

    async def mail_sent(self, mail_id: int, at_ms: int, said: str = "") -> None:
        """The mail server has taken it; `said`: its words."""
        await self._run(self._ledger.settle_mail, mail_id, "sent", said, done_ms=at_ms)

    async def mail_later(self, mail_id: int, next_ms: int, why: str) -> None:
        """A try failed; the next not before `next_ms`."""
        await self._run(self._ledger.settle_mail, mail_id, "waiting", why, next_ms=next_ms)

    async def mail_refused(self, mail_id: int, why: str, at_ms: int | None = None) -> None:
        """Refused for good."""
        await self._run(self._ledger.settle_mail, mail_id, "refused", why, done_ms=at_ms)

    async def record_sent(self, mail: MailRow, at_ms: int, note: str) -> None:
        """Record a mail that went out directly while nothing could be stored."""
        await self._run(self._ledger.record_sent, mail, at_ms, note)

    # ------------------------------------------------------------------ reading back

    async def last(self) -> Last | None:
        """The newest stored group, None in an empty store."""
        return await self._run(self._ledger.last)

    async def head(self) -> tuple[int, str]:
        """How many records are chained, and the last one's hash in hex (64 zeros in an empty store)."""
        return await self._run(self._ledger.head)

    async def newest_snapshot(self) -> Snapshot | None:
        """The newest engine state, None when there is none."""
        return await self._run(self._ledger.newest_snapshot)

    async def groups_after(self, number: int) -> AsyncIterator[StoredGroup]:
        """Every stored group above `number` in order, with its acts and the journal it led to. Reads in slices."""
        while groups := await self._run(self._ledger.groups_slice, number, SLICE):
            for group in groups:
                yield group
            number = groups[-1].group.number

    async def plant_text(self, version: int) -> str:
        """The plant file of a version. StoreRefused when there is none."""
        return await self._run(self._ledger.plant_text, version)

    async def pending_acts(self) -> list[Act]:
        """Acts stored but not applied in any group, oldest first."""
        return await self._run(self._ledger.pending_acts)

    # ------------------------------------------------------------------ space

    @property
    def fold_error(self) -> str:
        """Why the log could not be folded into the file the last time, "" when it could. Commits go on meanwhile."""
        return self._ledger.fold_error

    def free_bytes(self) -> int:
        """Bytes free on the store's disk."""
        return self._reserve.free_bytes()

    @property
    def reserve_held(self) -> bool:
        """True while the space kept back is allocated."""
        return self._reserve.held

    async def release_reserve(self) -> bool:
        """Give the space kept back to the disk; True when there was any."""
        return await asyncio.to_thread(self._reserve.release)

    async def restore_reserve(self) -> bool:
        """Keep space back again when twice as much is free; True when it is held afterwards."""
        return await asyncio.to_thread(self._reserve.restore)


async def _connect(path: Path, durable: bool, vfs: str | None) -> tuple[apsw.AsyncConnection, Ledger]:
    try:
        db = await apsw.Connection.as_async(str(path), vfs=vfs)
    except apsw.Error as e:
        raise translated(e, str(path)) from e
    try:
        ledger = await db.async_run(lambda: Ledger(cast(apsw.Connection, db), path, durable=durable))
    except BaseException:
        await db.aclose(True)
        raise
    return db, ledger
