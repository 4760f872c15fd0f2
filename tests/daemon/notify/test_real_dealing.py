"""From a stored notice to mailboxes of a real server: raise, escalation, acknowledged; and a server that was away."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path
from typing import Any

from config.model import Plant
from daemon.core.outcome import GroupOutcome, Standing
from daemon.core.scan import Group
from daemon.notify.dealer import Dealer
from daemon.notify.outbox import notice_row
from daemon.notify.telling import Daily
from tests.support.clock import HandClock
from tests.support.mailserver import Exim, free_ports, until
from tests.support.notices import AT_MS, notice
from tests.support.post import Post, login, post, running, server, steps, trusting
from tests.support.shift import TWO_SHIFTS, at, site

RESPOND = '[alarms.conductivity_high]\nrespond_within = "30 min"\n'


def house(exim: Exim, folder: Path, more: str, port: int | None = None) -> Plant:
    mail = server(port or exim.port, "starttls", *login(folder), trusting(exim.certificates))
    return site(f"{more}[mail]\n{mail}\n")


async def brief(from_ms: int, to_ms: int) -> Daily:
    return Daily(from_ms, to_ms, head="7:" + "0" * 64)


@contextlib.asynccontextmanager
async def dealing(tmp_path: Path, plant: Plant, clock: HandClock) -> AsyncIterator[tuple[Post, Dealer]]:
    dealers: list[Dealer] = []

    async def deal(able: bool) -> int:
        return await dealers[0].deal(able)

    async with post(tmp_path, plant, clock, deal=deal) as p:
        dealers.append(Dealer(p.writer, plant, clock, str(tmp_path), brief=brief))
        async with running(p.sender):
            yield p, dealers[0]


async def store(p: Post, number: int, event: str, state: str, by: str = "", **more: Any) -> None:
    """One group in which an alarm changes its state; `event` "" for one that is told by nobody."""
    p.groups += 1
    now = p.clock.now_ms()
    since = more.pop("since_ms", now)
    n = notice(occurrence=number, event=event, at_ms=now, since_ms=since, key=f"{number}.{event}", state=state, by=by)
    n = replace(n, **more)
    s = Standing(n.target, n.kind, str(number), state, number, n.priority, since, n.value, n.limit, n.unit, "", by)
    outcome = GroupOutcome(p.groups, (), standing=(s,))
    group = Group(p.groups, AT_MS + p.groups, p.groups, 1, 1, ())
    await p.writer.commit(p.plant, group, outcome, notices=[notice_row(n)] if event else [])
    p.sender.wake()


def came(exim: Exim) -> list[tuple[str, str]]:
    return [(m["Envelope-to"].partition("@")[0], subject(m)) for m in exim.received()]


def subject(m: EmailMessage) -> str:
    return str(m["Subject"]).removeprefix("Quillmarsh Creamery ")


async def test_raised_escalated_acknowledged_and_over_each_reach_those_they_are_for(
    postbox: Exim, tmp_path: Path
) -> None:
    clock = HandClock(at("2026-11-03 14:00"))
    async with dealing(tmp_path, house(postbox, tmp_path, TWO_SHIFTS + RESPOND), clock) as (p, _):
        raised = clock.now_ms()
        await store(p, 1042, "raised", "unacknowledged")
        await postbox.delivered(1)
        assert [to for to, _ in came(postbox)] == ["ana"]
        first = postbox.received()[0]
        assert "Next: Ben, Cleo" in words(first)
        assert await steps(clock, lambda: len(postbox.received()) >= 3, "escalation") >= 29 * 60
        assert sorted(to for to, _ in came(postbox)) == ["ana", "ben", "cleo"]
        await store(p, 1042, "", "acknowledged", by="Ben", since_ms=raised)
        await postbox.delivered(5)
        assert sorted(to for to, s in came(postbox) if "acknowledged" in s) == ["ana", "cleo"]
        for _ in range(20):
            await clock.forward(3600)  # nobody is reminded of what somebody has in hand
        await store(p, 1042, "returned", "normal", by="Ben", since_ms=raised)
        mails = await postbox.delivered(8)
    threads = {m["Envelope-to"]: set[str]() for m in mails}
    for m in mails:
        threads[m["Envelope-to"]].add(str(m["References"] or m["Message-ID"]))
    assert len(mails) == len({m["Message-ID"] for m in mails}) == 8
    assert len(threads["ana@quillmarsh.example"]) == 1, "raise, acknowledged and return in one conversation"


async def test_a_server_that_is_away_for_a_day_gets_everything_once_for_those_on_duty_then(
    postbox: Exim, tmp_path: Path
) -> None:
    clock = HandClock(at("2026-11-03 08:00"))
    away = house(postbox, tmp_path, TWO_SHIFTS, free_ports(1)[0])
    async with dealing(tmp_path, away, clock) as (p, dealer):
        for number in range(1, 7):
            await store(p, number, "raised", "unacknowledged")
            await clock.forward(600)
            await until(lambda n=number: len(p.mails()) >= 1, "a mail that waits")
        for _ in range(13):
            await clock.forward(3600)
        await until(lambda: {m.recipient for m in p.mails()} & {"ben@quillmarsh.example"}, "Ben, who has the night")
        assert postbox.received() == []
        there = house(postbox, tmp_path, TWO_SHIFTS)
        p.plant = there
        dealer.use(there)
        p.sender.use(there)
        await clock.forward(60)

        def told() -> set[int]:
            return {n for m in postbox.received() if m["Envelope-to"].startswith("ben@") for n in numbers(m)}

        await steps(clock, lambda: told() >= set(range(1, 7)), "all six in Ben's mailbox")
        await until(lambda: "waiting" not in p.states(), f"nothing that waits in {p.mails()}")
    ids = [m["Message-ID"] for m in postbox.received()]
    assert len(ids) == len(set(ids))


def numbers(m: EmailMessage) -> set[int]:
    text = words(m)
    return {n for n in range(1, 7) if f"waterside ack {n} " in text}


async def test_the_daily_mail_comes_at_its_time_and_late_after_a_time_without_the_service(
    postbox: Exim, tmp_path: Path
) -> None:
    clock = HandClock(at("2026-11-03 06:50"))
    plant = house(postbox, tmp_path, '[tell]\ndaily = "07:00"\n')
    async with dealing(tmp_path, plant, clock):
        await steps(clock, lambda: len(postbox.received()) >= 3, "three daily mails")
        assert {m["Envelope-to"].partition("@")[0] for m in postbox.received()} == {"ana", "ben", "cleo"}
        assert at("2026-11-03 07:00") <= clock.now_ms() < at("2026-11-03 07:02")
        assert "7:" + "0" * 64 in words(postbox.received()[0])
        assert "This mail is late" not in words(postbox.received()[0])
    postbox.clear()
    async with dealing(tmp_path, plant, HandClock(at("2026-11-06 12:00"))):
        mails = await postbox.delivered(3)
    assert all("This mail is late" in words(m) for m in mails)
    assert len(mails) == 3, "of the days missed one mail tells, not one each"


def words(m: EmailMessage) -> str:
    body = m.get_body(("plain",))
    assert body is not None
    return " ".join(str(body.get_content()).split())
