"""Who is told of what now: the pure heart of the dealer.

Lives here: the decision over what is stored at one moment. No clock, no files: same input, same output. May import:
config, daemon.core, daemon.alarms.kinds, daemon.store.records, daemon.notify.

A notice is decided in one round, whole: its mails are written, it is marked, and what is remembered of its alarm (a
`Call`) changes, in one transaction. What is held (quiet hours, a flood, no server) stays undecided, so that it goes to
whoever is on duty when it can go.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from config.model import Person, Plant
from daemon.core.outcome import MailRow, Notice, Standing
from daemon.notify.moments import FLOOD_MS, flood_until, pause_ms, quiet_until, respond_ms, urgent
from daemon.notify.outbox import from_json, notice_key
from daemon.notify.roster import Roster
from daemon.notify.stored import By, Call, Heard, call_json, call_of, telling_json, telling_of
from daemon.notify.telling import Telling, Told
from daemon.store.records import Dealt, QueuedMail, ToDeal

log = logging.getLogger("waterside.dealer")

REDEAL_MS: Final = 15 * 60_000
"""A mail not taken for so long goes to whoever is on duty by then."""
SINGLE: Final = 2
"""So many messages to one person at one moment are mails of their own, in the thread of their alarm; more are one."""
WAITS: Final = "unacknowledged"

_Why = Literal["news", "reminder", "escalation"]
_GAP: Final = "logger_gap"


@dataclass(frozen=True, slots=True)
class Decided:
    """What to store, and when to look again (ms UTC, 0: when something new comes)."""

    dealt: Dealt
    next_ms: int = 0
    held: int = 0  # notices that wait for the end of quiet hours, of a flood, or for a server


@dataclass(slots=True)
class _Piece:
    """One message to one person, before messages are joined to mails."""

    person: Person
    notice: Notice
    why: _Why
    by: By
    nth: int


@dataclass(slots=True)
class _Round:
    plant: Plant
    roster: Roster
    now_ms: int
    calls: dict[int, Call] = field(default_factory=dict)
    before: dict[int, Call] = field(default_factory=dict)
    pieces: list[_Piece] = field(default_factory=list)
    next_ms: list[int] = field(default_factory=list)
    withdrawn: list[int] = field(default_factory=list)

    # ------------------------------------------------------------------ whom

    def duty(self) -> tuple[tuple[Person, ...], By]:
        """Those on duty now; everybody where nobody is."""
        found = self.roster.on_duty(self.now_ms)
        return (found, "duty") if found else (self.plant.persons, "everyone")

    def first(self, notice: Notice) -> tuple[tuple[Person, ...], By]:
        """Who is told of a raise at once."""
        found, by = self.duty()
        alone = self.roster.spans is not None and by == "duty" and not urgent(notice) and notice.kind != _GAP
        return (found[:1] if alone else found), by

    def following(self, call: Call) -> tuple[tuple[Person, ...], By]:
        """Who is told next while nobody acknowledges: the next on duty, then all others at once; () when all know."""
        found, by = self.duty()
        left = [p for p in found if call.heard_by(p.name) is None]
        if left and by == "duty":
            return (tuple(left) if urgent(call.notice) else (left[0],)), "duty"
        return tuple(p for p in self.plant.persons if call.heard_by(p.name) is None), "everyone"

    # ------------------------------------------------------------------ telling

    def tell(self, call: Call, people: Iterable[Person], notice: Notice, why: _Why, by: By) -> Call:
        """Messages of one notice to some people; the call as it is remembered then."""
        heard = {h.name: h for h in call.heard}
        for p in people:
            old = heard.get(p.name)
            times = old.times + 1 if old and notice.event == "raised" else old.times if old else 1
            heard[p.name] = replace(old, times=times) if old else Heard(p.name, self.now_ms, 1, by)
            self.pieces.append(_Piece(p, notice, why, by, times if notice.event == "raised" else 1))
        return replace(call, heard=tuple(heard.values()))

    def raised(self, notice: Notice, *, direct: bool) -> None:
        people, by = self.first(notice)
        call = Call(notice, remind_ms=self.now_ms + pause_ms(0, self.plant))
        if direct:
            call = replace(call, heard=tuple(Heard(p.name, notice.at_ms, 1, "everyone") for p in self.plant.persons))
        else:
            call = self.tell(call, people, notice, "news", by)
        more, _ = self.following(call)
        self.calls[notice.occurrence] = replace(
            call, escalate_ms=self.now_ms + respond_ms(notice, self.plant) if more else 0
        )

    def ended(self, notice: Notice, *, direct: bool) -> None:
        """A return, or whatever else ends an alarm: to those who know of it."""
        call = self.calls.get(notice.occurrence)
        people, by = self.knowing(call) if call else self.duty()
        if not direct:
            told = self.tell(call or Call(notice), people, notice, "news", by)
            call = told if call else None
        if call:
            self.calls[notice.occurrence] = replace(call, over=True, escalate_ms=0, remind_ms=0)

    def knowing(self, call: Call) -> tuple[tuple[Person, ...], By]:
        known = tuple(p for p in self.plant.persons if call.heard_by(p.name) is not None)
        return (known, "told") if known else self.duty()

    def dealt_with(self, call: Call, standing: Standing) -> Call:
        """Somebody has acknowledged: the others who know of the alarm are told so."""
        by = standing.by
        people = [p for p in self.knowing(call)[0] if by.casefold() not in (p.name.casefold(), p.mail.casefold())]
        notice = replace(
            call.notice,
            event="acknowledged",
            at_ms=self.now_ms,
            by=by,
            state=standing.state,
            value=standing.value,
            key=f"{call.notice.occurrence}.acknowledged",
        )
        call = self.tell(call, people, notice, "news", "told")
        return replace(call, acknowledged=True, escalate_ms=0, remind_ms=0)

    def chase(self, call: Call, unsent: set[str]) -> Call:
        """Escalation and reminders of an alarm that stands and that nobody has acknowledged. `unsent`: to whom a mail
        about it still waits; they are not reminded of what they have not got."""
        held = quiet_until(call.notice, self.plant, self.now_ms)
        if call.escalate_ms and call.escalate_ms <= self.now_ms:
            if held:
                self.next_ms.append(held)
            else:
                people, by = self.following(call)
                call = self.tell(call, people, call.notice, "escalation", by)
                more, _ = self.following(call)
                call = replace(
                    call, escalate_ms=self.now_ms + respond_ms(call.notice, self.plant) if more and people else 0
                )
        if call.remind_ms and call.remind_ms <= self.now_ms:
            if held:
                self.next_ms.append(held)
            else:
                fresh = {p.person.name for p in self.pieces if p.notice.occurrence == call.notice.occurrence}
                people = tuple(p for p in self.duty()[0] if p.name not in unsent | fresh)
                call = self.tell(call, people, call.notice, "reminder", "duty")
                n = call.reminders + 1
                call = replace(call, reminders=n, remind_ms=self.now_ms + pause_ms(n, self.plant))
        self.next_ms += [t for t in (call.escalate_ms, call.remind_ms) if t > self.now_ms]
        return call

    # ------------------------------------------------------------------ mails that could not go

    def deal_again(self, waiting: Iterable[QueuedMail]) -> None:
        """Mails that have waited long and whose reader is off duty by now go to those who are on."""
        rows = [(q, t[0], t[1]) for q in waiting if (t := _telling(q)) is not None and t[0].notices]
        people, by = self.duty()
        if not people:
            return
        unheard: dict[str, set[int]] = {}  # alarms of which a person has got nothing yet, and will not
        for _, telling, why in rows:
            if telling.nth == 1 and not telling.short and self._passes_on(telling, why):
                raised = {n.occurrence for n in telling.notices if n.event == "raised"}
                unheard.setdefault(telling.name, set()).update(raised)
        again: dict[str, tuple[Notice, _Why]] = {}
        for q, telling, why in rows:
            numbers = {n.occurrence for n in telling.notices}
            if self._passes_on(telling, why) or numbers <= unheard.get(telling.name, set()):
                self.withdrawn.append(q.id)
                again |= {notice_key(n): (n, _why_of(telling)) for n in telling.notices if not telling.short}
        for name, raised_here in unheard.items():
            for number in raised_here & self.calls.keys():
                call = self.calls[number]
                later = 0 if call.over or call.acknowledged else self.now_ms + respond_ms(call.notice, self.plant)
                self.calls[number] = replace(
                    call,
                    heard=tuple(h for h in call.heard if h.name != name),
                    escalate_ms=call.escalate_ms or later,  # whoever is passed over now is told then
                )
        new: dict[int, set[str]] = {}
        for notice, why_told in again.values():
            call = self.calls.get(notice.occurrence) or Call(notice, over=True)
            own = new.setdefault(notice.occurrence, set())
            fresh = [p for p in self.first(notice)[0] if p.name in own or call.heard_by(p.name) is None]
            own.update(p.name for p in fresh)
            self.calls[notice.occurrence] = self.tell(call, fresh, notice, why_told, by)

    def _passes_on(self, t: Telling, why: By) -> bool:
        """Whether a waiting mail is not for its reader any more."""
        if t.name not in {p.name for p in self.plant.persons}:
            return True
        on = self.roster.on_duty(self.now_ms)
        if why != "duty" or not on or t.name in {p.name for p in on}:
            return False
        self.next_ms.append(t.at_ms + REDEAL_MS)
        return self.now_ms - t.at_ms >= REDEAL_MS

    # ------------------------------------------------------------------ to mails

    def mails(self) -> list[MailRow]:
        """The messages of this round joined to mails, one person after another."""
        out: list[MailRow] = []
        for person in self.plant.persons:
            own = [p for p in self.pieces if p.person is person]
            news = [p for p in own if p.why == "news"]
            groups = [[p] for p in news] if len(news) <= SINGLE else [news]
            groups += [g for why in ("escalation", "reminder") if (g := [p for p in own if p.why == why])]
            for group in groups:
                out += self.mail(person, group)
        return out

    def mail(self, person: Person, group: list[_Piece]) -> list[MailRow]:
        one, nth = group[0], max(p.nth for p in group)
        notices = tuple(p.notice for p in group)
        call = self.calls.get(one.notice.occurrence)
        told: tuple[Told, ...] = ()
        after: Told | None = None
        if call is not None:
            told = tuple(Told(h.name, h.at_ms) for h in call.heard if h.name != person.name)
            more, _ = self.following(call)
            if call.escalate_ms and more:
                after = Told(", ".join(p.name for p in more), call.escalate_ms)
        nobody = one.by == "everyone" and self.roster.spans is not None and not self.roster.on_duty(self.now_ms)
        remarks = ("Nobody is on duty now by the rota, so everybody is told.",) if nobody else ()
        telling = Telling(
            one.why,
            person.name,
            person.mail,
            notices,
            nth=nth,
            told=told,
            next_told=after,
            at_ms=self.now_ms,
            remarks=remarks,
        )
        if len(group) == 1 and one.why == "news" and nth == 1:
            key = notice_key(one.notice)
        else:
            events = "\n".join(notice_key(n) for n in notices)
            key = f"{one.why}.{nth}.{hashlib.sha256(events.encode()).hexdigest()[:16]}"
        at = min(n.at_ms for n in notices) if one.why == "news" else self.now_ms
        rows = [MailRow(f"{key}>{person.mail}", person.mail, at, telling_json(telling, one.by))]
        if person.text_address:
            short = replace(telling, address=person.text_address, short=True)
            rows.append(MailRow(f"{key}>{person.text_address}", person.text_address, at, telling_json(short, one.by)))
        return rows


def _telling(row: QueuedMail) -> tuple[Telling, By] | None:
    try:
        return telling_of(row.body)
    except (ValueError, TypeError, KeyError):
        return None  # the sender says what is wrong with it


def _why_of(telling: Telling) -> _Why:
    return telling.why if telling.why in ("reminder", "escalation") else "news"


def decide(found: ToDeal, plant: Plant, roster: Roster, now_ms: int, *, server: bool = True) -> Decided:
    """Decide over everything that is stored at a moment.

    `server` False: the mail server does not take mails now. What is new then waits undecided as long as some mail
    waits for the server already, so that those on duty when it is back are told, in one mail instead of many.
    """
    r = _Round(plant, roster, now_ms)
    forgotten: dict[str, str] = {}
    for name, body in found.kept.items():
        if name.startswith("call "):
            try:
                number, call = int(name.removeprefix("call ")), call_of(body)
            except (ValueError, TypeError, KeyError):  # damaged, or of a later version: it must not stop all others
                forgotten[name] = ""
                continue
            r.before[number], r.calls[number] = call, _in_reach(call, plant, now_ms)
    recent = _times(found.kept.get("recent", ""))
    r.deal_again(found.waiting)
    decided, told, held = _news(r, found, recent, server=server)
    _chase(r, found, held)
    mails = r.mails()
    times = [t for t in (*recent, *([now_ms] * told)) if t > now_ms - FLOOD_MS]
    kept = {f"call {n}": call_json(c) for n, c in r.calls.items() if r.before.get(n) != c}
    kept |= forgotten | {f"call {n}": "" for n in r.before if n not in r.calls}
    if times != recent:
        kept["recent"] = ",".join(map(str, times))
    dealt = Dealt(tuple(mails), tuple(decided), tuple(r.withdrawn), kept)
    return Decided(dealt, min((t for t in r.next_ms if t > now_ms), default=0), len(held))


def _news(r: _Round, found: ToDeal, recent: list[int], *, server: bool) -> tuple[list[int], int, list[Notice]]:
    """New notices: ids decided, how many messages, and those that are held."""
    flood = flood_until(recent, r.plant, r.now_ms)
    shut = not server and bool(found.waiting)
    decided: list[int] = []
    told, held = 0, []
    rows = []
    for row in found.notices:
        try:
            rows.append((row, from_json(row.body)))
        except (ValueError, TypeError, KeyError):
            log.error("notice %d cannot be read and is told to nobody: %.200r", row.id, row.body)
            decided.append(row.id)
    waiting: set[int] = set()  # alarms of which an earlier notice is held: the order of their messages is kept
    for row, notice in sorted(rows, key=lambda x: (x[1].kind != _GAP, x[0].id)):
        quiet = quiet_until(notice, r.plant, r.now_ms)
        rushes = urgent(notice) and notice.event == "raised"
        if not row.direct and (notice.occurrence in waiting or shut or quiet or (flood and not rushes)):
            waiting.add(notice.occurrence)
            held.append(notice)
            r.next_ms += [t for t in (quiet, flood) if t]
            continue
        decide_one: Callable[..., None] = r.raised if notice.event == "raised" else r.ended
        decide_one(notice, direct=row.direct)
        decided.append(row.id)
        told += not row.direct
    return decided, told, held


def _chase(r: _Round, found: ToDeal, held: list[Notice]) -> None:
    """What stands and is not acknowledged; calls that are over are forgotten."""
    standing = {s.occurrence: s for s in found.standing if s.occurrence}
    unsent: dict[int, set[str]] = {}
    for q in found.waiting:
        if q.id not in r.withdrawn and (t := _telling(q)) is not None:
            for n in t[0].notices:
                unsent.setdefault(n.occurrence, set()).add(t[0].name)
    pending = {n.occurrence for n in held}
    for number, call in list(r.calls.items()):
        s = standing.get(number)
        if call.over or s is None or s.state not in (WAITS, "acknowledged"):
            if number not in unsent and number not in pending and r.before.get(number) == call:
                del r.calls[number]
        elif s.state == "acknowledged":
            if not call.acknowledged:
                r.calls[number] = r.dealt_with(call, s)
        elif r.before.get(number) is None:  # told in this round
            r.next_ms += [t for t in (call.escalate_ms, call.remind_ms) if t]
        else:
            r.calls[number] = r.chase(call, unsent.get(number, set()))


def _in_reach(call: Call, plant: Plant, now_ms: int) -> Call:
    """A call whose times were set by a clock that was ahead: they come no later than if they were set now."""
    escalate = min(call.escalate_ms, now_ms + respond_ms(call.notice, plant))
    return replace(call, escalate_ms=escalate, remind_ms=min(call.remind_ms, now_ms + pause_ms(call.reminders, plant)))


def _times(text: str) -> list[int]:
    return [int(t) for t in text.split(",") if t]
