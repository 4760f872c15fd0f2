"""Waiting mails to the mail server, or to files where the plant has none: one after another, retried, never lost.

A row leaves the queue only after the server has taken it (or refused it for good), so a crash in between leads at
most to the same mail with the same Message-ID again. May import: config, daemon.core, daemon.store.errors,
daemon.notify. Plant time decides when a mail is due; the network's own waits are real time, inside `smtp`.
"""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

from config.model import Plant
from daemon.core.clock import Clock
from daemon.core.outcome import MailRow
from daemon.notify.answers import TIMEOUT_S, Later, Refused
from daemon.notify.outbox import from_json
from daemon.store.errors import StoreError, StoreRefused

if TYPE_CHECKING:
    from daemon.notify.exhibit import Exhibit
    from daemon.notify.smtp import Talk
    from daemon.notify.telling import Telling

log = logging.getLogger("waterside.mail")

FIRST_PAUSE_S: Final = 60.0  # plant seconds; doubles with each try
LONGEST_PAUSE_S: Final = 1800.0
LOOK_S: Final = 30.0  # plant seconds between looks at the queue when nobody wakes it
PATIENCE_S: Final = 900.0  # plant seconds without a mail server before it is called trouble
PUT_OFF: Final = 5  # temporary refusals of one mail before they are called trouble: about half an hour
BATCH: Final = 20

_SERVER: Final = ""  # whom trouble concerns: the server, or else a recipient


Deal = Callable[[bool], Awaitable[int]]
"""Decides who is told, before each look at the queue: does the server take mails? Gives when to look again, ms UTC."""


class Queued(Protocol):
    """A waiting row as the queue gives it."""

    @property
    def id(self) -> int: ...
    @property
    def key(self) -> str: ...
    @property
    def recipient(self) -> str: ...
    @property
    def body(self) -> str: ...
    @property
    def tries(self) -> int: ...


class Queue(Protocol):
    """Where rows wait; `daemon.store.writer.Writer` is one."""

    async def pending_mails(self, now_ms: int, limit: int) -> Sequence[Queued]: ...
    async def mail_sent(self, mail_id: int, at_ms: int, said: str = "") -> None: ...
    async def mail_later(self, mail_id: int, next_ms: int, why: str) -> None: ...
    async def mail_refused(self, mail_id: int, why: str, at_ms: int | None = None) -> None: ...


def _libraries() -> None:
    """Import what mails need with the first one, beside the loop: a poll must not wait for it."""
    import aiosmtplib  # noqa: F401

    import daemon.notify.files
    import daemon.notify.smtp  # noqa: F401


def pause_s(tries: int) -> float:
    """How long to wait after the `tries`-th failure: 1 min, 2, 4 ... at most 30 min, in plant seconds."""
    return float(min(FIRST_PAUSE_S * 2.0 ** min(30, max(0, tries - 1)), LONGEST_PAUSE_S))


class Sender:
    """Takes due rows from the queue and hands them to the mail server, one at a time, oldest first.

    `on_trouble` is told in words what hinders the mail whenever that changes, and "" when nothing does. What hinders:
    the server gone for PATIENCE_S, at once what will not mend itself (login, certificate, sender), and each recipient
    refused for good until a mail to them is taken. `outbox`: folder for .eml files where the plant has no [mail].
    """

    def __init__(
        self,
        queue: Queue,
        plant: Plant,
        clock: Clock,
        outbox: Path,
        *,
        on_trouble: Callable[[str], Awaitable[None]],
        demo_speed: float | None = None,
        timeout_s: float = TIMEOUT_S,
        deal: Deal | None = None,
        token: Callable[[Telling], str] | None = None,
        exhibit: Callable[[Telling], Awaitable[Exhibit | None]] | None = None,
    ) -> None:
        self._queue, self._plant, self._clock, self._outbox = queue, plant, clock, outbox
        self._on_trouble, self._speed, self._timeout_s = on_trouble, demo_speed, timeout_s
        self._host = socket.gethostname()
        self._wake = asyncio.Event()
        self._stopping = False
        self._idle = asyncio.Event()
        self._idle.set()
        self._direct: list[MailRow] = []
        self._direct_sent: set[str] = set()
        self._deal = deal
        self._exhibit = exhibit  # the picture of the last hours; a mail goes without it where there is none
        self._token = token  # by which a reply acknowledges; it is in the mail and nowhere else
        self._look_ms = 0  # when there is something to decide again, ms UTC
        self._taken: dict[int, tuple[int, str]] = {}  # row: when, and in which words, the server took it, not yet noted
        self._failures = 0  # of the server, running
        self._failing_since = 0.0
        self._tried_at = 0.0
        self._not_before = 0.0
        self._troubles: dict[str, str] = {}
        self._told: str | None = None

    def wake(self) -> None:
        """New rows were stored: look now."""
        self._wake.set()

    def use(self, plant: Plant) -> None:
        """The plant file was reloaded: its addresses and server count from the next mail on."""
        self._plant = plant
        people = {p.mail for p in plant.persons}
        self._troubles = {who: text for who, text in self._troubles.items() if who in people}
        self._failures, self._not_before = 0, 0.0
        self.wake()

    async def run(self) -> None:
        """Send until `stop` or cancelled. Trouble with the queue or the server never ends it."""
        while not self._ending():
            woken = self._wake.is_set()
            self._wake.clear()
            more = False
            try:
                more = await self._round(woken)
            except (StoreError, OSError) as e:
                log.error("mails wait: %s", e)
            except Exception:
                log.exception("mails wait: a fault of the program")
            if not more and not self._ending():
                await self._rest()
        if not self._stopping:
            raise asyncio.CancelledError

    def _ending(self) -> bool:
        """Whether to begin nothing more. Asked inside `run`.

        A cancel that comes in the moment of the server's answer is swallowed on the way here (`asyncio.wait_for` before
        Python 3.12, in the mail library), so the task itself is asked.
        """
        task = asyncio.current_task()
        return self._stopping or (task is not None and task.cancelling() > 0)

    async def stop(self, seconds: float) -> None:
        """Begin no new mail; give the one in flight so many real seconds to end."""
        self._stopping = True
        self.wake()
        try:
            async with asyncio.timeout(seconds):
                await self._idle.wait()
        except TimeoutError:
            log.warning("a mail in flight did not end within %g s; it is sent again at the next start", seconds)

    async def send_direct(self, rows: Sequence[MailRow]) -> None:
        """Mails that cannot be stored: they go from memory, before all others, retried until taken or stopped.

        Returns at once: whoever calls is in the middle of storing readings.
        """
        self._direct.extend(rows)
        self.wake()

    def sent_directly(self, key: str) -> bool:
        """Whether a mail given to `send_direct` was taken, or refused for good."""
        return key in self._direct_sent

    async def _rest(self) -> None:
        now = self._clock.elapsed()
        until = now + LOOK_S
        if self._failures and self._not_before > now:
            until = min(until, self._not_before)
        if self._look_ms:
            until = min(until, now + max(0.0, (self._look_ms - self._clock.now_ms()) / 1000))
        look = asyncio.ensure_future(self._clock.sleep_until(until))
        woken = asyncio.ensure_future(self._wake.wait())
        try:
            await asyncio.wait((look, woken), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (look, woken):
                task.cancel()
            await asyncio.gather(look, woken, return_exceptions=True)

    def _pausing(self, woken: bool) -> bool:
        """Whether the server is left alone. A new mail is a reason to try it again, once a minute at most."""
        now = self._clock.elapsed()
        if not self._failures or now >= self._not_before:
            return False
        return not woken or now < self._tried_at + FIRST_PAUSE_S

    async def _round(self, woken: bool) -> bool:
        """Send what is due; True when there may be more."""
        rows: Sequence[Queued] = []
        pausing = self._pausing(woken)
        try:
            await self._note_taken()
            await self._decide()
            if not pausing:
                rows = await self._queue.pending_mails(self._clock.now_ms(), BATCH)
        except StoreError as e:
            log.error("stored mails wait: %s", e)
        if pausing or not (rows or self._direct):
            return False
        await asyncio.to_thread(_libraries)
        from daemon.notify.smtp import Talk

        post = Talk(self._plant.mail, self._host, self._timeout_s) if self._plant.mail else None
        try:
            async with post or nullcontext():
                await self._all(rows, post)
        except Later as e:
            await self._server_failed(e)
            return False
        return len(rows) == BATCH

    async def _decide(self) -> None:
        """Who is told: decided here, between two mails, so that none is withdrawn on its way."""
        if self._deal is None:
            return
        self._look_ms = 0
        try:
            self._look_ms = await self._deal(not self._failures)
        except StoreError:
            raise
        except Exception:
            log.exception("whom to tell was not decided: a fault of the program; mails decided before go on")

    async def _all(self, rows: Sequence[Queued], post: Talk | None) -> None:
        for mail in list(self._direct):
            if self._ending():
                return
            with self._in_flight():
                await self._from_memory(mail, post)
        for row in rows:
            if self._ending():
                return
            with self._in_flight():
                await self._one(row, post)

    @contextmanager
    def _in_flight(self) -> Iterator[None]:
        self._idle.clear()
        try:
            yield
        finally:
            self._idle.set()

    async def _from_memory(self, row: MailRow, post: Talk | None) -> None:
        try:
            await self._hand_over(row, post)
        except Later as e:
            if e.server:
                raise
            log.warning("a mail to %s waits in memory: %s", row.recipient, e)
            return
        except Refused as e:
            log.error("a mail to %s was refused for good: %s", row.recipient, e)
        except (ValueError, TypeError, KeyError):
            log.exception("a mail to %s could not be written", row.recipient)
        self._direct.remove(row)
        self._direct_sent.add(row.key)
        await self._server_works()

    async def _one(self, row: Queued, post: Talk | None) -> None:
        now_ms = self._clock.now_ms
        if row.key in self._direct_sent:  # it went from memory, and is stored since
            await self._queue.mail_sent(row.id, now_ms())
            return
        try:
            said = await self._hand_over(row, post)
        except Later as e:
            if e.server:  # the order of the queue is kept: a return never overtakes its raise
                with suppress(StoreError):  # it still waits, without the reason beside it
                    await self._queue.mail_later(row.id, 0, str(e))
                raise
            wait = pause_s(row.tries + 1)
            await self._queue.mail_later(row.id, now_ms() + round(wait * 1000), str(e))
            log.warning("the mail to %s waits %g s: %s", row.recipient, wait, e)
            if row.tries + 1 >= PUT_OFF:
                self._troubles.setdefault(row.recipient, f"mail to {row.recipient} is put off again and again: {e}")
            await self._server_works()
        except Refused as e:
            await self._queue.mail_refused(row.id, str(e), now_ms())
            log.error("the mail to %s was refused for good: %s", row.recipient, e)
            self._troubles.setdefault(row.recipient, f"mail to {row.recipient} is refused for good: {e}")
            await self._server_works()
        except (ValueError, TypeError, KeyError) as e:
            log.exception("a stored mail could not be written")
            await self._queue.mail_refused(row.id, f"it could not be written: {e}", now_ms())
        else:
            self._taken[row.id] = now_ms(), said
            await self._note_taken()
            self._troubles.pop(row.recipient, None)
            await self._server_works()

    async def _note_taken(self) -> None:
        """Note in the queue what the server has taken. Until that works no row is read again: none goes twice."""
        for row, (at_ms, said) in list(self._taken.items()):
            try:
                await self._queue.mail_sent(row, at_ms, said)
            except StoreRefused:  # it does not wait any more
                log.warning("mail %d was sent, and no longer waits in the store", row)
            del self._taken[row]

    async def _hand_over(self, row: MailRow | Queued, post: Talk | None) -> str:
        """Write one mail and give it away; what the server said to it."""
        from daemon.notify.compose import compose
        from daemon.notify.files import file_of, write

        telling = self._telling(row)
        if self._token is not None and not telling.token:
            telling = replace(telling, token=self._token(telling))
        shown = await self._exhibit(telling) if self._exhibit is not None and not telling.short else None
        message = compose(
            telling,
            self._plant,
            now_ms=self._clock.now_ms(),
            demo_speed=self._speed,
            host=self._host,
            exhibit=shown,
        )
        if post is not None:
            return await post.deliver(message, row.recipient)
        await asyncio.to_thread(write, message, self._outbox, file_of(telling, self._plant))
        return ""

    def _telling(self, row: MailRow | Queued) -> Telling:
        """What a row tells; one with a bare notice is from memory, or of an earlier version."""
        from daemon.notify.stored import telling_of
        from daemon.notify.telling import Telling, Told

        if (found := telling_of(row.body)) is not None:
            return found[0]
        notice = from_json(row.body)
        name = next((p.name for p in self._plant.persons if p.mail == row.recipient), "")
        told = tuple(Told(p.name, notice.at_ms) for p in self._plant.persons if p.mail != row.recipient)
        return Telling("news", name, row.recipient, (notice,), told=told)

    async def _server_failed(self, e: Later) -> None:
        now = self._clock.elapsed()
        if not self._failures:
            self._failing_since = now
        self._failures += 1
        self._tried_at = now
        self._not_before = now + pause_s(self._failures)
        log.warning("mails wait %g s: %s", pause_s(self._failures), e)
        known = _SERVER in self._troubles
        if e.stays or (not known and now - self._failing_since >= PATIENCE_S):
            self._troubles[_SERVER] = f"no mail goes out: {e}"
        await self._tell()

    async def _server_works(self) -> None:
        self._failures, self._not_before = 0, 0.0
        self._troubles.pop(_SERVER, None)
        await self._tell()

    async def _tell(self) -> None:
        text = "; ".join(self._troubles.values())
        if text == self._told or (not text and self._failures):  # while the server fails nobody says that mails go
            return
        await self._on_trouble(text)
        self._told = text
