"""Waiting mails to the mail server, or to files where the plant has none: one after another, retried, never lost.

A row leaves the queue only after the server has taken it (or refused it for good), so a crash in between leads at
most to the same mail with the same Message-ID again. May import: config, daemon.core, daemon.notify, and the queue it
is given. Plant time decides when a mail is due; the network's own waits are real time, inside `smtp`.
"""

from __future__ import annotations

import asyncio
import logging
import re
import socket
from collections.abc import Awaitable, Callable, Sequence
from email.message import EmailMessage
from pathlib import Path
from typing import Final, Protocol

from config.model import Plant
from daemon.core.clock import Clock
from daemon.core.outcome import MailRow, Notice
from daemon.notify.compose import compose
from daemon.notify.outbox import from_json
from daemon.notify.smtp import Later, Refused, deliver
from daemon.notify.wording import instant, zone_of

log = logging.getLogger("waterside.mail")

FIRST_PAUSE_S: Final = 60.0  # plant seconds; doubles with each try
LONGEST_PAUSE_S: Final = 1800.0
LOOK_S: Final = 30.0  # plant seconds between looks at the queue when nobody wakes it
BATCH: Final = 20


class Queued(Protocol):
    """A waiting row as the queue gives it."""

    @property
    def id(self) -> int: ...
    @property
    def recipient(self) -> str: ...
    @property
    def at_ms(self) -> int: ...
    @property
    def body(self) -> str: ...
    @property
    def tries(self) -> int: ...


class Queue(Protocol):
    """Where rows wait; `daemon.store.writer.Writer` is one."""

    async def pending_mails(self, now_ms: int, limit: int) -> Sequence[Queued]: ...
    async def mail_sent(self, mail_id: int, at_ms: int) -> None: ...
    async def mail_later(self, mail_id: int, next_ms: int, why: str) -> None: ...
    async def mail_refused(self, mail_id: int, why: str, at_ms: int | None = None) -> None: ...


def pause_s(tries: int) -> float:
    """How long a mail waits after its `tries`-th failure: 1 min, 2, 4 ... at most 30 min, in plant seconds."""
    return min(FIRST_PAUSE_S * 2.0 ** max(0, tries - 1), LONGEST_PAUSE_S)


class Sender:
    """Takes due rows from the queue and hands them to the mail server, one at a time.

    `on_trouble` is told what hinders the mail, and "" when it goes again. `outbox`: folder for .eml files where the
    plant has no [mail].
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
    ) -> None:
        self._queue, self._plant, self._clock, self._outbox = queue, plant, clock, outbox
        self._on_trouble, self._speed = on_trouble, demo_speed
        self._host = socket.gethostname()
        self._wake = asyncio.Event()
        self._stopping = False
        self._idle = asyncio.Event()
        self._idle.set()
        self._direct: list[MailRow] = []

    def wake(self) -> None:
        """New rows were stored: look now."""
        self._wake.set()

    def use(self, plant: Plant) -> None:
        """The plant file was reloaded."""
        self._plant = plant
        self.wake()

    async def run(self) -> None:
        """Send until `stop` or cancelled. Trouble with the queue or the server never ends it."""
        while not self._stopping:
            self._wake.clear()
            try:
                more = await self._round()
            except OSError as e:
                log.error("mails wait: %s", e)
                more = False
            except Exception as e:  # the store's errors among them: this room does not know their names
                log.error("mails wait: %s", e)
                more = False
            if not more and not self._stopping:
                await self._rest()

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
        """Send at once what cannot be stored; what fails is tried again at the next call. Never raises."""
        waiting, self._direct = [*self._direct, *rows], []
        for row in waiting:
            try:
                await self._hand_over(row.body, row.recipient, row.at_ms)
            except Refused as e:
                log.error("a mail to %s was refused for good: %s", row.recipient, e)
            except (Later, OSError) as e:
                log.error("a mail to %s could not go out directly: %s", row.recipient, e)
                self._direct.append(row)
            except Exception:
                log.exception("a mail to %s could not be written", row.recipient)

    async def _rest(self) -> None:
        look = asyncio.ensure_future(self._clock.sleep_until(self._clock.elapsed() + LOOK_S))
        woken = asyncio.ensure_future(self._wake.wait())
        try:
            await asyncio.wait((look, woken), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (look, woken):
                task.cancel()
            await asyncio.gather(look, woken, return_exceptions=True)

    async def _round(self) -> bool:
        """Send what is due; True when there may be more."""
        rows = await self._queue.pending_mails(self._clock.now_ms(), BATCH)
        for row in rows:
            if self._stopping:
                return False
            self._idle.clear()
            try:
                await self._one(row)
            finally:
                self._idle.set()
        return len(rows) == BATCH

    async def _one(self, row: Queued) -> None:
        try:
            await self._hand_over(row.body, row.recipient, row.at_ms)
        except Later as e:
            wait = pause_s(row.tries + 1)
            await self._queue.mail_later(row.id, self._clock.now_ms() + round(wait * 1000), str(e))
            log.warning("the mail to %s waits %g s: %s", row.recipient, wait, e)
            await self._on_trouble(str(e))
        except Refused as e:
            await self._queue.mail_refused(row.id, str(e), self._clock.now_ms())
            log.error("the mail to %s was refused for good: %s", row.recipient, e)
            await self._on_trouble(f"a mail to {row.recipient} was refused for good: {e}")
        except (ValueError, TypeError) as e:
            await self._queue.mail_refused(row.id, f"it could not be written: {e}", self._clock.now_ms())
            log.exception("a stored mail could not be written")
        else:
            await self._queue.mail_sent(row.id, self._clock.now_ms())
            await self._on_trouble("")

    async def _hand_over(self, body: str, recipient: str, at_ms: int) -> None:
        now_ms = self._clock.now_ms()
        message = compose(body, recipient, self._plant, now_ms=now_ms, demo_speed=self._speed, host=self._host)
        if self._plant.mail is None:
            await asyncio.to_thread(self._file, message, from_json(body), recipient, at_ms)
        else:
            await deliver(message, recipient, self._plant.mail)

    def _file(self, message: EmailMessage, notice: Notice, recipient: str, at_ms: int) -> None:
        """The mail as an .eml file, whole or not at all; the same row makes the same name."""
        try:
            self._outbox.mkdir(parents=True, exist_ok=True)
            when = instant(at_ms, zone_of(self._plant)).strftime("%Y%m%d-%H%M%S")
            parts = (when, f"{notice.occurrence}-{notice.event}", f"{notice.target}-{notice.kind}", recipient)
            path = self._outbox / ("_".join(re.sub(r"[^A-Za-z0-9.@_-]+", "_", p)[:60] for p in parts) + ".eml")
            part = path.with_suffix(".part")
            part.write_bytes(message.as_bytes())
            part.replace(path)
        except OSError as e:
            raise Later(f"mails cannot be written to {self._outbox}: {e.strerror}") from e
