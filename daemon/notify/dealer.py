"""The dealer: before each look at the waiting mails it decides who is told, and stores that in one transaction.

Lives here: the way between the store, the roster and the pure decision. It runs inside the sender's round, so that no
mail is withdrawn while it is on its way. May import: config, daemon.core, daemon.store.errors, daemon.notify.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final, Protocol

from config.model import Person, Plant
from daemon.core.clock import Clock
from daemon.core.outcome import MailRow
from daemon.notify.calendar_file import CalendarFile
from daemon.notify.deciding import decide
from daemon.notify.moments import daily_due, next_daily
from daemon.notify.roster import Roster
from daemon.notify.roster import roster as roster_of
from daemon.notify.stored import telling_json
from daemon.notify.telling import Daily, Telling
from daemon.store.records import Dealt, ToDeal

log = logging.getLogger("waterside.dealer")

LATE_MS: Final = 30 * 60_000
"""A daily mail written so long after its time says why."""


class Book(Protocol):
    """Where notices wait and decisions are stored; `daemon.store.writer.Writer` is one."""

    async def to_deal(self) -> ToDeal: ...
    async def deal(self, dealt: Dealt, at_ms: int) -> None: ...


Brief = Callable[[int, int], Awaitable[Daily]]
"""What the daily mail tells of a time, ms UTC."""


@dataclass(frozen=True, slots=True)
class Duty:
    """Who is on duty as people are shown it."""

    now: tuple[str, ...]
    next: tuple[str, ...]
    next_ms: int  # 0: not known
    rota: bool
    trouble: str


class Dealer:
    """Decides when asked. `brief` makes the figures of the daily mail."""

    def __init__(
        self, book: Book, plant: Plant, clock: Clock, folder: str = ".", *, brief: Brief | None = None
    ) -> None:
        self._book, self._plant, self._clock, self._brief = book, plant, clock, brief
        self._calendar = CalendarFile(folder)
        self._asked: list[MailRow] = []
        self.held = 0
        self.roster = roster_of(plant, clock.now_ms())

    def use(self, plant: Plant, folder: str = "") -> None:
        """The plant file was reloaded: its persons and rota count from the next decision on."""
        self._plant = plant
        self._calendar = CalendarFile(folder or self._calendar.folder)
        self.roster = roster_of(plant, self._clock.now_ms())

    async def deal(self, server: bool = True) -> int:
        """Decide over everything stored; when to look again (ms UTC), 0 for no own reason. StoreError as the store."""
        now = self._clock.now_ms()
        found = await self._book.to_deal()
        plant = self._plant
        kept: dict[str, str] = {}
        self.roster = await self._roster(found, now, kept)
        decided = decide(found, plant, self.roster, now, server=server)
        self.held = decided.held
        mails = [*decided.dealt.mails, *self._asked]
        mails += self._calendar_mails(found, now, kept)
        mails += await self._daily(found, now, kept)
        mails += self._sign(found, now, kept)
        dealt = replace(decided.dealt, mails=tuple(mails), kept={**decided.dealt.kept, **kept})
        if dealt.mails or dealt.notices or dealt.withdrawn or dealt.kept:
            await self._book.deal(dealt, now)
            for mail in dealt.mails:
                log.info("to %s: %s", mail.recipient, mail.key)
        self._asked = [m for m in self._asked if m not in mails]
        times = [decided.next_ms, next_daily(plant, now), self._next_sign(found, now)]
        return min((t for t in times if t > now), default=0)

    def ask(self, telling: Telling, key: str) -> str:
        """A mail that somebody asked for goes with the next decision; returns its key."""
        row = MailRow(f"{key}>{telling.address}", telling.address, telling.at_ms, telling_json(telling, ""))
        self._asked.append(row)
        return row.key

    def duty(self, now_ms: int) -> Duty:
        """Who is on duty, as last known."""
        r = self.roster
        change = r.next_change(now_ms)
        return Duty(
            _names(r.on_duty(now_ms)),
            _names(change[1]) if change else (),
            change[0] if change else 0,
            r.spans is not None,
            r.trouble,
        )

    # ------------------------------------------------------------------ the calendar

    async def _roster(self, found: ToDeal, now: int, kept: dict[str, str]) -> Roster:
        rota = self._plant.rota
        if rota is None or rota.calendar is None:
            return roster_of(self._plant, now)
        read = await self._calendar.spans(self._plant, rota, found.kept.get("calendar", ""), now)
        if read.text is not None and read.text != found.kept.get("calendar", ""):
            kept["calendar"] = read.text
        return roster_of(self._plant, now, read.spans, read.trouble)

    def _calendar_mails(self, found: ToDeal, now: int, kept: dict[str, str]) -> list[MailRow]:
        """Trouble with the calendar is told once a cause, to everybody."""
        trouble, told = self.roster.trouble, found.kept.get("calendar trouble", "")
        if trouble == told:
            return []
        kept["calendar trouble"] = trouble
        text = f"{trouble}\n\nAlarms are told as the last good calendar says, and to everybody where it names nobody."
        title = "The on-call calendar"
        if not trouble:
            text = "The on-call calendar can be used again."
        return self._to_all(f"calendar.{now}", text, title, now)

    def _to_all(self, key: str, text: str, title: str, now: int) -> list[MailRow]:
        out = []
        for p in self._plant.persons:
            telling = Telling("news", p.name, p.mail, (), text=text, title=title, at_ms=now)
            out.append(MailRow(f"{key}>{p.mail}", p.mail, now, telling_json(telling, "everyone")))
        return out

    # ------------------------------------------------------------------ the daily mail, the sign of life

    async def _daily(self, found: ToDeal, now: int, kept: dict[str, str]) -> list[MailRow]:
        if self._brief is None or self._plant.tell.daily is None:
            return []
        last = _number(found.kept, "daily")
        if not last or last > now:  # the first one comes when its time comes; a clock that was ahead puts none off
            kept["daily"] = str(now)
            return []
        due = daily_due(self._plant, last, now)
        if not due:
            return []
        kept["daily"] = str(due)
        begin = last if 0 < due - last < 7 * 86_400_000 else due - 86_400_000
        text = ""
        try:
            daily: Daily | None = await self._brief(begin, now)
        except Exception:  # whatever it is, alarms must not wait for it
            log.exception("the daily mail's figures")
            daily, text = (
                Daily(begin, now),
                "The figures of the day could not be put together; the service's log says why.",
            )
        if now - due > LATE_MS:
            text += "\n\nThis mail is late: nothing ran here, or nothing could be stored, at the time it was due."
        out = []
        for p in self._plant.persons:
            if p.daily:
                telling = Telling("daily", p.name, p.mail, (), text=text, at_ms=due, daily=daily)
                out.append(MailRow(f"daily.{due}>{p.mail}", p.mail, due, telling_json(telling, "")))
        return out

    def _sign(self, found: ToDeal, now: int, kept: dict[str, str]) -> list[MailRow]:
        """The sign of life by mail. One that still waits is not followed by another: it would tell nothing new."""
        sign = self._plant.sign_of_life
        if sign is None or sign.mail is None or now < self._last_sign(found, now) + round(sign.every * 1000):
            return []
        if any(q.key.startswith("sign.") for q in found.waiting):
            return []
        kept["sign"] = str(now)
        text = f"The service for {self._plant.plant.name} runs. The next sign of life comes in {_lasting(sign.every)}."
        telling = Telling("sign of life", "", sign.mail, (), text=text, at_ms=now)
        return [MailRow(f"sign.{now}>{sign.mail}", sign.mail, now, telling_json(telling, ""))]

    def _next_sign(self, found: ToDeal, now: int) -> int:
        sign = self._plant.sign_of_life
        if sign is None or sign.mail is None:
            return 0
        return max(self._last_sign(found, now) + round(sign.every * 1000), now + 1000)

    @staticmethod
    def _last_sign(found: ToDeal, now: int) -> int:
        return min(_number(found.kept, "sign"), now)


def _number(kept: Mapping[str, str], name: str) -> int:
    return int(kept.get(name, "0") or 0)


def _names(people: tuple[Person, ...]) -> tuple[str, ...]:
    return tuple(p.name for p in people)


def _lasting(seconds: float) -> str:
    m = round(seconds / 60)
    return f"{m} min" if m < 120 else f"{m // 60} h {m % 60:02d} min" if m % 60 else f"{m // 60} h"
