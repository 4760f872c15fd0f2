"""A shift on paper: notices, alarms that stand, mails that wait and go, and what is decided. No store, no clock."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from config.load import loads
from config.model import Plant
from daemon.core.outcome import MailRow, Notice, Standing
from daemon.notify.deciding import Decided, decide
from daemon.notify.outbox import notice_row
from daemon.notify.roster import roster
from daemon.notify.stored import telling_of
from daemon.notify.telling import Telling
from daemon.store.records import QueuedMail, ToDeal, WaitingNotice
from tests.support.notices import PLANT, notice

ZONE = ZoneInfo("America/Chicago")
ANA, BEN, CLEO = "Ana", "Ben", "Cleo"
PEOPLE = "".join(f'[[person]]\nname = "{n}"\nmail = "{n.lower()}@quillmarsh.example"\n' for n in (ANA, BEN, CLEO))
ALL = {ANA, BEN, CLEO}
TWO_SHIFTS = """
[[rota.turn]]
person = "Ana"
hours = "06:00..18:00"
[[rota.turn]]
person = "Ben"
hours = "18:00..06:00"
"""


def site(more: str = "") -> Plant:
    """The creamery with three persons."""
    return loads(PLANT + PEOPLE + more, rules=False).plant


def at(text: str) -> int:
    """ "2026-11-03 14:00" of the plant's clock as ms UTC."""
    return round(datetime.strptime(text, "%Y-%m-%d %H:%M").replace(tzinfo=ZONE).timestamp() * 1000)


@dataclass
class Shift:
    """What is stored, kept by hand. `tick` decides at a time and stores what was decided; mails go when `server`."""

    plant: Plant
    now: int = at("2026-11-03 14:00")
    server: bool = True
    puts_off: bool = False  # the server is there and takes no mail (greylisting)
    notices: list[WaitingNotice] = field(default_factory=list)
    standing: dict[int, Standing] = field(default_factory=dict)
    waiting: list[QueuedMail] = field(default_factory=list)
    kept: dict[str, str] = field(default_factory=dict)
    sent: list[tuple[int, Telling]] = field(default_factory=list)
    keys: set[str] = field(default_factory=set)
    ids: int = 0
    raised: dict[int, Notice] = field(default_factory=dict)
    last: Decided | None = None

    def alarm(self, number: int, priority: str = "medium", kind: str = "conductivity_high", **more: Any) -> None:
        """An alarm is raised."""
        n = notice(occurrence=number, priority=priority, kind=kind, at_ms=self.now, since_ms=self.now, **more)
        n = replace(n, event="raised", key=f"{number}.raised", state="unacknowledged", by="")
        self.raised[number] = n
        self.standing[number] = Standing(
            n.target, n.kind, str(number), "unacknowledged", number, priority, self.now, n.value, n.limit, n.unit, ""
        )
        self._notice(n)

    def over(self, number: int) -> None:
        """It returns to normal."""
        s = self.standing[number]
        acked = s.state == "acknowledged"
        if acked:
            del self.standing[number]
        else:
            self.standing[number] = replace(s, state="returned to normal unacknowledged")
        n = self.raised[number]
        self._notice(replace(n, event="returned", at_ms=self.now, key=f"{number}.returned", by=s.by))

    def ack(self, number: int, by: str) -> None:
        s = self.standing[number]
        if s.state == "unacknowledged":
            self.standing[number] = replace(s, state="acknowledged", by=by)
        elif s.state.startswith("returned"):
            del self.standing[number]

    def _notice(self, n: Notice, *, direct: bool = False) -> None:
        row = notice_row(n, direct=direct)
        self.ids += 1
        self.notices.append(WaitingNotice(self.ids, row.key, row.at_ms, row.body, row.direct))

    def tick(self, minutes: float = 0) -> list[tuple[str, str, str, tuple[int, ...]]]:
        """So much later: decide, and send. Gives (person, why, event, numbers) of what went out."""
        self.now += round(minutes * 60_000)
        self.last = decide(
            ToDeal(tuple(self.notices), tuple(self.waiting), tuple(self.standing.values()), dict(self.kept)),
            self.plant,
            roster(self.plant, self.now),
            self.now,
            server=self.server,
        )
        d = self.last.dealt
        assert set(d.withdrawn) <= {q.id for q in self.waiting}
        assert set(d.notices) <= {n.id for n in self.notices}
        self.keys -= {q.key for q in self.waiting if q.id in d.withdrawn}
        self.waiting = [q for q in self.waiting if q.id not in d.withdrawn]
        self.notices = [n for n in self.notices if n.id not in d.notices]
        for name, body in d.kept.items():
            if body:
                self.kept[name] = body
            else:
                del self.kept[name]
        for row in d.mails:
            self._queue(row)
        return self.send() if self.server and not self.puts_off else []

    def _queue(self, row: MailRow) -> None:
        assert row.key not in self.keys, row.key
        self.keys.add(row.key)
        self.ids += 1
        self.waiting.append(QueuedMail(self.ids, row.key, row.recipient, row.at_ms, row.body, 0))

    def send(self) -> list[tuple[str, str, str, tuple[int, ...]]]:
        went = []
        for q in self.waiting:
            found = telling_of(q.body)
            assert found is not None
            self.sent.append((self.now, found[0]))
            went.append(said(found[0]))
        self.waiting.clear()
        return went

    def heard(self) -> dict[tuple[str, str], list[str]]:
        """For each notice key and person how it was told: "news", "escalation" ..."""
        out: dict[tuple[str, str], list[str]] = {}
        for _, t in self.sent:
            for n in t.notices:
                out.setdefault((n.key, t.name), []).append(t.why)
        return out


def said(t: Telling) -> tuple[str, str, str, tuple[int, ...]]:
    events = "+".join(dict.fromkeys(n.event for n in t.notices))
    return t.name, t.why, events, tuple(n.occurrence for n in t.notices)
