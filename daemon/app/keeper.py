"""Groups through the engine into the store: all or nothing, in order, and nothing lost while the disk refuses.

A group is stepped once and waits with its outcome until the store has taken it; only then is it done. While the store
refuses, the engine goes on ahead in memory, the groups wait (an hour of plant time, bounded), then the oldest are
dropped and the gap is recorded once. The alarms of dropped groups are kept, and so are the increments in them. What is
stored is never ahead of a commit that failed: after a kill the service resumes from the last stored group.

Lives here: the numbering of groups, acts waiting for their group, snapshots, the way through a full disk.
May import: config, daemon.core, daemon.engine, daemon.store, daemon.notify.outbox, daemon.app.
"""

from __future__ import annotations

import asyncio
import logging
import os
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from config.model import Plant
from daemon.acquire.poller import Polled
from daemon.app.gaps import watched, with_gap
from daemon.app.increments import Increments
from daemon.app.stepping import advance
from daemon.app.timebase import TimeBase
from daemon.app.wrong_clock import Doubts, long
from daemon.core.outcome import GroupOutcome, MailRow, Notice, NoticeRow
from daemon.core.say import minutes
from daemon.core.scan import Act, Group
from daemon.engine import FORMAT, State, dump
from daemon.notify.outbox import is_mailed, notice_row, outbox_rows
from daemon.store.errors import StoreError, StoreFull, StoreRefused
from daemon.store.records import Snapshot
from daemon.store.writer import Writer

log = logging.getLogger("waterside.keeper")

WAIT_MS: Final = 3_600_000  # plant time groups may wait for the store
WAIT_GROUPS: Final = 20_000
RETRY_S: Final = 1.0  # plant seconds between tries while the store refuses: never faster than the polls anyway


@dataclass(slots=True)
class _Waiting:
    group: Group
    outcome: GroupOutcome
    plant: Plant
    notices: list[Notice]
    snapshot: bool
    told: bool = False  # its mails went out directly, to everybody


@dataclass(slots=True)
class Trouble:
    """The store refuses: since which elapsed time, why, and what was dropped meanwhile."""

    since_ms: int
    why: str
    dropped: int = 0
    dropped_from_ms: int = 0
    told: bool = False


class Keeper:
    """Owns the engine's state. `deliver` is called for one closed instant at a time.

    `plant_of` gives plants by version; `direct` sends mails at once, used only while nothing can be stored; `ended`:
    why the run before this one ended, in words;
    `seen` is called with each outcome after its commit (live table, ledger).
    """

    def __init__(
        self,
        writer: Writer,
        state: State | None,
        number: int,
        last_elapsed_ms: int | None,
        base: TimeBase,
        plant_of: Callable[[int], Plant],
        version: int,
        *,
        run: str,
        direct: Callable[[Sequence[MailRow]], Awaitable[None]],
        committed: Callable[[], None] = lambda: None,
        seen: Callable[[Group, GroupOutcome], None] = lambda g, o: None,
        ledger_fd: int | None = None,
        doubts: Doubts | None = None,
        ended: str = "",
    ) -> None:
        self.state = state
        self.version = version
        self.trouble: Trouble | None = None
        self.groups = 0
        self._writer, self._number, self._last_ms = writer, number, last_elapsed_ms
        self._base, self._plant_of, self._run = base, plant_of, run
        self._direct, self._committed, self._seen, self._fd = direct, committed, seen, ledger_fd
        self._doubts = doubts or Doubts()
        self._ended = ended  # why the run before this one ended
        self._stored_ms = last_elapsed_ms  # elapsed time of the last group the store took
        self._gap = last_elapsed_ms is not None  # the first group of a run follows a gap
        self._waiting: deque[_Waiting] = deque()
        self._acts: list[Act] = []
        self._answers: dict[int, asyncio.Future[str]] = {}
        self._snapshot_ms = -1
        self._want_snapshot = False
        self._increments = Increments()
        self._saved: list[GroupOutcome] = []  # what dropped groups led to, stored with the next one taken
        self._saved_notices: list[NoticeRow] = []
        self._flushing = asyncio.Lock()

    @property
    def plant(self) -> Plant:
        """The plant in force."""
        return self._plant_of(self.version)

    def use(self, version: int) -> None:
        """From the next group on another plant version is in force."""
        self.version, self._want_snapshot = version, True

    def snapshot_next(self) -> None:
        """The next group carries a snapshot."""
        self._want_snapshot = True

    def queue(self, acts: Sequence[Act]) -> None:
        """Acts stored already (found waiting at start) go into the next group."""
        self._acts.extend(acts)

    async def submit(self, kind: str, by: str, body: dict[str, Any]) -> tuple[int, str]:
        """Store an act, put it into the next group, and wait for that group's commit.

        Returns the act's number and what became of it, "" when done. StoreError when it cannot be stored.
        """
        number = await self._store_act(kind, by, body)
        answer = self._answers[number] = asyncio.get_running_loop().create_future()
        return number, await answer

    async def report(
        self,
        kind: str,
        active: bool,
        evidence: str,
        value: float | None = None,
        limit: float | None = None,
        once: bool = False,
    ) -> bool:
        """The service reports of itself (logger_disk, logger_mail ...); False when even that cannot be stored.

        `once`: an event that is over with the next group.
        """
        body = {"kind": kind, "active": active, "evidence": evidence, "value": value, "limit": limit, "once": once}
        try:
            await self._store_act("service", "waterside", body)
        except StoreError:
            return False
        return True

    async def ended(self) -> None:
        """Tell the engine, in a last group, that all that was read is stored; else the next run must doubt it.

        Matters to registers that reading clears alone, and is not told where there are none.
        """
        if not self._waiting and not self._increments.held and any(m.clear_on_read for m in self.plant.modules):
            await self.report("stopped", True, "all that was read is stored")

    async def _store_act(self, kind: str, by: str, body: dict[str, Any]) -> int:
        now = self._base.clock.now_ms()
        number = await self._writer.add_act(kind, by, body, now)
        self._acts.append(Act(number, kind, by, now, body))
        return number

    async def deliver(self, polled: Polled) -> None:
        """Take one closed instant: step it, and store it with whatever waits before it."""
        base = self._base
        if step_ms := base.stepped():
            await self._new_segment(step_ms)
        elif self._doubts.due(base.elapsed(polled.due)):
            await self._settle_dates()
        elapsed = max(base.elapsed(polled.due), self._last_ms or 0)
        self._number += 1
        group = Group(
            number=self._number,
            at_ms=base.at(elapsed),
            elapsed_ms=elapsed,
            segment=base.segment,
            plant=self.version,
            scans=polled.scans,
            acts=tuple(self._acts),
            # never 0 after a gap, also where the clock was set back meanwhile
            gap_ms=max(1, elapsed - (self._last_ms or 0)) if self._gap else 0,
        )
        before = watched(self.plant, self.state) if group.gap_ms else None
        self._gap = False
        self._acts.clear()
        self._last_ms = elapsed
        self.state, outcome = advance(self.state, group, self._plant_of)
        plant = self.plant
        every = round(plant.store.snapshot_every * 1000)
        due = self._want_snapshot or self._snapshot_ms < 0 or elapsed - self._snapshot_ms >= every
        if due:
            self._snapshot_ms, self._want_snapshot = elapsed, False
        notices = [n for n in outcome.notices if is_mailed(n)]
        if before is not None and (after := watched(plant, self.state)) is not None:
            notices = with_gap(notices, plant, before, after, self._ended)
        group = self._increments.put(plant, group)
        self._waiting.append(_Waiting(group, outcome, plant, notices, due))
        self.groups += 1
        await self.flush()

    async def flush(self) -> bool:
        """Store what waits, oldest first; True when nothing waits any more."""
        async with self._flushing:
            while self._waiting:
                head = self._waiting[0]
                try:
                    await self._commit(head)
                except StoreRefused:
                    raise  # a fault of the program: it must not loop
                except StoreError as e:
                    self._committed()
                    if isinstance(e, StoreFull) and await self._writer.release_reserve():
                        log.warning("%s The reserve is released so that alarms can still be stored.", e)
                        continue
                    await self._refused(e)
                    return False
                self._waiting.popleft()
                self._after(head)
            if self.trouble is not None:
                await self._recovered(self.trouble)
            return True

    async def _commit(self, w: _Waiting) -> None:
        newest = len(self._waiting) == 1
        state = self.state
        snapshot = None
        if w.snapshot and newest and state is not None:  # the state in memory is this group's only when none follows
            snapshot = Snapshot(FORMAT, state.version, w.group.number, dump(state))
        outcome = w.outcome
        if self._saved:
            every = (*self._saved, outcome)
            outcome = replace(
                outcome,
                journal=tuple(e for o in every for e in o.journal),
                standing=tuple({(s.target, s.kind, s.name): s for o in every for s in o.standing}.values()),
                blows=tuple(b for o in every for b in o.blows),
                acts=tuple(a for o in every for a in o.acts),
                calibrations=tuple(c for o in every for c in o.calibrations),
                manual=tuple(m for o in every for m in o.manual),
            )
        # rows of mails that went out directly are stored too: the sender knows those the server took, and only those
        mails = self._mails(w) if w.told else []
        notices = [*self._saved_notices, *(notice_row(n, direct=w.told) for n in w.notices)]
        await self._writer.commit(w.plant, w.group, outcome, mails, snapshot, notices)
        self._saved.clear()
        self._saved_notices.clear()
        if w.snapshot and snapshot is None:
            self._want_snapshot = True

    def _after(self, w: _Waiting) -> None:
        """A group is stored: tell whoever waits for it."""
        self._stored_ms = w.group.elapsed_ms
        self._committed()
        if self._fd is not None:
            os.write(self._fd, b"%d\n" % w.group.number)
        for number, result in w.outcome.acts:
            answer = self._answers.pop(number, None)
            if answer is not None and not answer.done():
                answer.set_result(result)
        self._seen(w.group, w.outcome)

    async def _refused(self, e: StoreError) -> None:
        if self.trouble is None:
            self.trouble = Trouble(self._last_ms or 0, str(e))
            log.error("%s Groups wait in memory.", e)
        t = self.trouble
        while self._waiting and (
            len(self._waiting) > WAIT_GROUPS
            or self._waiting[-1].group.elapsed_ms - self._waiting[0].group.elapsed_ms > WAIT_MS
        ):
            old = self._waiting.popleft()
            if not t.dropped:
                t.dropped_from_ms = old.group.at_ms
            t.dropped += 1
            self._saved.append(old.outcome)
            self._saved_notices += [notice_row(n, direct=old.told) for n in old.notices]
            follower = self._waiting[0]
            gap_ms = max(1, follower.group.elapsed_ms - (self._stored_ms or 0))
            follower.group = replace(follower.group, gap_ms=gap_ms)
            self._increments.keep(old.plant, old.group)
            self._want_snapshot = True
        for w in self._waiting:
            w.group = self._increments.put(w.plant, w.group)
        direct = [m for w in self._waiting if not w.told for m in self._mails(w)]
        if not t.told:
            t.told = True
            direct += outbox_rows(self._notice(t), self.plant)
        for w in self._waiting:
            if w.notices:
                w.told = True
        if direct:
            await self._direct(direct)

    def _mails(self, w: _Waiting) -> list[MailRow]:
        """What a group's notices are to everybody, where nothing can be stored."""
        return [row for n in w.notices for row in outbox_rows(n, w.plant)]

    def _notice(self, t: Trouble) -> Notice:
        at = self._base.at(self._last_ms or 0)
        return Notice(
            occurrence=0,
            event="raised",
            target="logger",
            kind="logger_store",
            name="",
            priority="high",
            at_ms=at,
            since_ms=at,
            value=None,
            limit=None,
            unit="",
            evidence=f"{t.why} Readings wait in memory for up to an hour; this mail is sent directly.",
            quality="good",
            state="unacknowledged",
            key=f"store.{self._run}.{t.since_ms}",
        )

    async def _recovered(self, t: Trouble) -> None:
        self.trouble = None
        lasted = (self._last_ms or 0) - t.since_ms
        text = f"nothing could be stored for {minutes(lasted)}: {t.why}"
        if t.dropped:
            text += f" {t.dropped} groups were dropped, from {t.dropped_from_ms} ms UTC on; their alarms are kept"
        log.warning("%s; storing again", text)
        await self._writer.add_event("store was refusing", text, self._base.at(self._last_ms or 0))
        await self.report("logger_store", True, text, once=True)

    async def _new_segment(self, step_ms: int) -> None:
        base = self._base
        elapsed = max(base.elapsed(base.clock.elapsed()), self._last_ms or 0)
        at = base.clock.now_ms()
        way = "forward" if step_ms > 0 else "back"
        doubt = self._doubts.about(at)
        corrections = self._doubts.settle(elapsed, at)
        why = f"the clock was set {way} by {minutes(abs(step_ms))}"
        try:
            number = await self._writer.open_segment(self._run, elapsed, at, why, doubt=doubt, corrections=corrections)
        except StoreError:
            return  # tried again at the next group
        self._doubts.settled(corrections)
        self._doubts.begin(number, elapsed, at, doubt)
        if corrections:
            why += f"; dates of what this run stored before are corrected by {long(abs(corrections[-1].shift_ms))}"
        await self.report("logger_clock", True, why, once=True)
        log.warning("the clock was set %s by %s: a new clock segment begins", way, minutes(abs(step_ms)))
        base.begin_segment(number, elapsed, at)

    async def _settle_dates(self) -> None:
        """A time server keeps the clock now, without having set it by a leap: what was stored before is dated by it."""
        base = self._base
        elapsed = base.elapsed(base.clock.elapsed())
        corrections = self._doubts.settle(elapsed, base.at(elapsed))
        try:
            for correction in corrections:
                await self._writer.correct_clock(correction)
        except StoreError:
            return  # asked again in a minute; a correction recorded twice is the same correction
        self._doubts.settled(corrections)
