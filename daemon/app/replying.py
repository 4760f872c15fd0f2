"""Acknowledging by reply: reads the mailbox once a minute, acts like the command line would, answers by mail.

May import: config, daemon.core, daemon.notify, daemon.store. What counts is decided in `daemon.notify.replies`; here is
the order of things: the act is stored and applied first, then place, Message-ID and answer are stored in one
transaction. A crash in between leads to the same mail being read again, and to the answer that there was nothing left
to confirm: nothing is lost, and nothing is acknowledged that the mail did not name.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Protocol

from config.model import Mailbox, Person, Plant
from daemon.core.clock import Clock
from daemon.core.outcome import MailRow
from daemon.notify.mailbox import Box, Found, MailboxTrouble, Place
from daemon.notify.replies import Reply, read_reply
from daemon.notify.stored import telling_json
from daemon.notify.telling import Telling
from daemon.notify.tokens import key_of, token_of
from daemon.store.errors import StoreError
from daemon.store.records import Dealt, ToDeal

log = logging.getLogger("waterside.replies")

KEPT: Final = "mailbox"
REMEMBERED: Final = 500  # Message-IDs of mails handled last
LONGEST_PAUSE_S: Final = 1800.0
PATIENCE: Final = 10  # failures in a row that mend themselves before they are trouble

Ack = Callable[[int, str], Awaitable[str]]
"""Acknowledge an alarm by its number for a person; "" when done, else why not."""
Raised = Callable[[int], int | None]
"""When an alarm that stands was raised, ms UTC; None when none of that number does."""


class Book(Protocol):
    """Where places and answers are stored; `daemon.store.writer.Writer` is one."""

    async def to_deal(self) -> ToDeal: ...
    async def deal(self, dealt: Dealt, at_ms: int) -> None: ...
    async def add_event(self, kind: str, text: str, at_ms: int) -> None: ...


@dataclass(slots=True)
class _Memory:
    place: Place
    handled: list[str]

    def as_json(self) -> str:
        place = self.place
        return json.dumps({"validity": place.validity, "uid": place.uid, "handled": self.handled[-REMEMBERED:]})


def key_file(store: Path) -> Path:
    """Where the key of the tokens lies: beside the store, and not in it."""
    return store.with_name(f"{store.name}.mailkey")


class Replies:
    """Runs as long as the service does. `wake` is called when an answer waits to go."""

    def __init__(
        self,
        book: Book,
        plant: Plant,
        clock: Clock,
        store: Path,
        *,
        ack: Ack,
        raised: Raised,
        wake: Callable[[], None],
        on_trouble: Callable[[str], Awaitable[None]],
    ) -> None:
        self._book, self._plant, self._clock, self._store = book, plant, clock, store
        self._ack, self._raised, self._wake, self._on_trouble = ack, raised, wake, on_trouble
        self._key: bytes | None = None
        self._changed = asyncio.Event()

    def use(self, plant: Plant) -> None:
        """The plant file was reloaded."""
        self._plant = plant
        self._changed.set()

    def token(self, telling: Telling) -> str:
        """The token of a mail that is about to go; "" where no mailbox is read or no key can be had."""
        if self._plant.mailbox is None:
            return ""
        try:
            return token_of(telling, self._plant.plant.name, self._secret())
        except (OSError, ValueError) as e:
            log.error("mails go without a token to reply with: %s", e)
            return ""

    def _secret(self) -> bytes:
        if self._key is None:
            self._key = key_of(key_file(self._store))
        return self._key

    async def run(self) -> None:
        """Look until cancelled. Trouble never ends it."""
        failures = 0
        while True:
            self._changed.clear()
            mailbox = self._plant.mailbox
            if mailbox is None:
                await self._on_trouble("")
                await self._changed.wait()
                continue
            wait_s = mailbox.every
            try:
                more = await self._look(mailbox)
                if failures:
                    log.info("the mailbox is read again")
                failures = 0
                await self._on_trouble("")
                wait_s = 0.0 if more else wait_s
            except (MailboxTrouble, StoreError, OSError, ValueError) as e:
                failures += 1
                stays = isinstance(e, MailboxTrouble) and e.stays
                log.error("replies are not read: %s", e)
                if stays or failures >= PATIENCE:
                    await self._on_trouble(f"replies are not read: {e}")
                wait_s = min(mailbox.every * 2.0 ** min(20, failures), LONGEST_PAUSE_S)
            except Exception:
                log.exception("replies are not read: a fault of the program")
                wait_s = LONGEST_PAUSE_S
            await self._rest(wait_s)

    async def _rest(self, seconds: float) -> None:
        pause = asyncio.ensure_future(self._clock.sleep_until(self._clock.elapsed() + seconds))
        changed = asyncio.ensure_future(self._changed.wait())
        try:
            await asyncio.wait((pause, changed), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (pause, changed):
                task.cancel()
            await asyncio.gather(pause, changed, return_exceptions=True)

    async def _remembered(self) -> _Memory:
        try:
            kept = json.loads((await self._book.to_deal()).kept.get(KEPT) or "{}")
        except ValueError:
            kept = {}
        place = Place(int(kept.get("validity", 0)), int(kept.get("uid", 0)))
        return _Memory(place, [str(x) for x in kept.get("handled", [])])

    async def _look(self, mailbox: Mailbox) -> bool:
        """One look; True when there may be more at once."""
        memory = await self._remembered()
        now, found = await asyncio.to_thread(_fetch, mailbox, memory.place)
        if memory.place.validity != now.validity:
            first = memory.place.validity == 0
            memory.place = Place(now.validity, now.uid if first else 0)
            await self._book.deal(Dealt(kept={KEPT: memory.as_json()}), self._clock.now_ms())
            if first:
                log.info("the mailbox of %s is read from here on", mailbox.user)
                return False
            return True  # numbered anew: all of it again, known by Message-ID
        for mail in found:
            await self._handle(mail, memory)
        if found:
            await asyncio.to_thread(_mark, mailbox, [m.uid for m in found])
        return bool(found)

    async def _handle(self, mail: Found, memory: _Memory) -> None:
        plant = self._plant
        reply = await asyncio.to_thread(
            read_reply, mail.raw, plant.persons, plant.plant.name, self._secret(), self._clock.now_ms()
        )
        known = hashlib.sha256(f"{reply.message_id}|{reply.sender}".encode()).hexdigest()[:16]
        answer: str = ""
        if reply.message_id and known in memory.handled:
            log.info("a mail of %s was handled before", reply.sender)
        else:
            answer = await self._done(reply)
            memory.handled.append(known)
        memory.place = replace(memory.place, uid=max(memory.place.uid, mail.uid))
        rows = (self._answer(reply, answer, mail.uid),) if answer and reply.person is not None else ()
        await self._book.deal(Dealt(mails=rows, kept={KEPT: memory.as_json()}), self._clock.now_ms())
        if rows:
            self._wake()

    async def _done(self, reply: Reply) -> str:
        """Do what a reply says; the words of the answer, "" where it gets none."""
        if reply.what != "acknowledges" or reply.token is None or reply.person is None:
            text = f"a mail of {reply.sender or 'nobody'} acknowledges nothing: {reply.why}"
            if reply.what == "automatic":  # they come in numbers, and mean nothing
                log.info("%s", text)
                return ""
            log.warning("%s", text)
            await self._book.add_event("reply", text, self._clock.now_ms())
            return f"Nothing was acknowledged: {reply.why}." if reply.what == "refused" else ""
        return await self._acknowledge(reply.person, reply.token.numbers, reply.token.issued_ms)

    async def _acknowledge(self, person: Person, numbers: tuple[int, ...], issued_ms: int) -> str:
        done: list[tuple[int, str]] = []
        not_done: list[tuple[int, str]] = []
        for number in numbers:
            raised = self._raised(number)
            if raised is not None and raised > issued_ms:  # of another log that numbered anew
                why = f"alarm {number} was raised after that mail was written"
            else:
                why = await self._ack(number, person.name)
            (not_done if why else done).append((number, why))
            log.info("alarm %d by a reply of %s: %s", number, person.name, why or "acknowledged")
        said = []
        if done:
            one = len(done) == 1
            which = ", ".join(str(n) for n, _ in done)
            said.append(f"Alarm{'' if one else 's'} {which} {'is' if one else 'are'} acknowledged by {person.name}.")
        said += [f"Not {number}: {why}." for number, why in not_done]
        if done:
            said.append("That someone knows is on record now, and changes nothing at the boiler.")
        return "\n\n".join(said)

    def _answer(self, reply: Reply, text: str, uid: int) -> MailRow:
        assert reply.person is not None
        at, to = self._clock.now_ms(), reply.person
        telling = Telling("answer", to.name, to.mail, (), text=text, at_ms=at, answers=reply.message_id)
        return MailRow(f"answer.{uid}.{at}>{to.mail}", to.mail, at, telling_json(telling, ""))


def _fetch(mailbox: Mailbox, place: Place) -> tuple[Place, list[Found]]:
    with Box(mailbox) as box:
        now = box.open()
        return now, box.new(place.uid) if now.validity == place.validity else []


def _mark(mailbox: Mailbox, uids: list[int]) -> None:
    """As seen; a box that cannot be reached now keeps them unseen."""
    try:
        with Box(mailbox) as box:
            box.open()
            for uid in uids:
                box.seen(uid)
    except MailboxTrouble as e:
        log.info("handled mails were not marked as seen: %s", e)
