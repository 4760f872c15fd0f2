"""Mails on their way while servers are down or odd: scripted servers, plant time by hand or fast."""

from __future__ import annotations

import asyncio
import re
import ssl
from collections.abc import Callable
from pathlib import Path

import pytest

from config.model import Plant
from daemon.core.clock import FastClock
from daemon.notify.sender import LONGEST_PAUSE_S, pause_s
from tests.support.clock import HandClock
from tests.support.mailserver import (
    Certificates,
    Script,
    expired,
    free_ports,
    scripted,
    until,
)
from tests.support.notices import AT_MS, CHIEF, ON_CALL, notice, plant
from tests.support.post import login, post, running, server, steps, trusting

DAY_S = 86_400.0


async def test_nothing_is_lost_while_the_server_is_down_for_a_day(tmp_path: Path) -> None:
    script, (port,) = Script(), free_ports(1)
    clock = FastClock(28_800.0, AT_MS)
    async with post(tmp_path, plant(ON_CALL, CHIEF, mail=server(port)), clock) as p, running(p.sender):
        for n in range(15):
            await p.store(notice(occurrence=n + 1), notice(occurrence=n + 1, event="returned", at_ms=AT_MS + 1 + n))
        await until(lambda: clock.elapsed() >= DAY_S, "the end of the day")
        assert set(p.states()) == {"waiting"}
        assert len(p.told) == 1
        assert "cannot be reached" in p.told[0]
        tries = sum(m.tries for m in p.mails())
        assert 24 <= tries <= 60, "growing pauses: a day of half hours and a few shorter ones"
        async with scripted(script, port):
            await p.settled(60)
    assert p.states() == ["sent"] * 60
    assert p.told[1:] == [""]
    ids = [m["Message-ID"] for m in script.taken]
    assert len(ids) == len(set(ids)) == 60
    for address in (ON_CALL, CHIEF):
        mine = [m["Message-ID"].split(".") for m in script.taken if m["To"].addresses[0].addr_spec == address]
        assert [(int(i[0][1:]), i[1]) for i in mine] == [(n + 1, e) for n in range(15) for e in ("raised", "returned")]
    body = script.taken[0].get_body(("plain",))
    assert body is not None
    assert "This mail is late" in body.get_content()


@pytest.mark.parametrize(("tries", "seconds"), [(1, 60), (2, 120), (3, 240), (5, 960), (6, 1800), (99999, 1800)])
def test_pauses_double_up_to_half_an_hour(tries: int, seconds: float) -> None:
    assert pause_s(tries) == seconds
    assert pause_s(tries) <= LONGEST_PAUSE_S


async def test_a_new_mail_is_a_reason_to_try_a_dead_server_again(tmp_path: Path) -> None:
    script, (port,) = Script(), free_ports(1)
    clock = HandClock(AT_MS)
    async with post(tmp_path, plant(ON_CALL, mail=server(port)), clock) as p, running(p.sender):
        await p.store(notice())
        for _ in range(4):  # 1, 2, 4, 8 minutes
            await until(lambda: p.sender._failures, "a failure")
            failures = p.sender._failures
            await clock.jump(pause_s(failures) + 1)
            await until(lambda f=failures: p.sender._failures > f, "the next failure")
        async with scripted(script, port):
            await clock.forward(61)
            assert script.taken == [], "16 minutes are not over"
            await p.store(notice(occurrence=1043))
            await p.settled(2)
    assert len(script.taken) == 2


async def test_a_server_that_closes_after_a_few_mails_gets_them_all(tmp_path: Path) -> None:
    script = Script(per_connection=3)
    async with scripted(script) as port, post(tmp_path, plant(ON_CALL, mail=server(port))) as p, running(p.sender):
        await p.store(*(notice(occurrence=n) for n in range(1, 11)))
        await p.settled(10)
    assert [int(m["Message-ID"].split(".")[0][1:]) for m in script.taken] == list(range(1, 11))
    assert script.connections == 4
    assert p.told == [""]


async def test_never_two_mails_at_once_however_often_it_is_woken(tmp_path: Path) -> None:
    script = Script(before_250=lambda: asyncio.sleep(0.005))
    async with (
        scripted(script) as port,
        post(tmp_path, plant(ON_CALL, CHIEF, mail=server(port))) as p,
        running(p.sender),
    ):
        for n in range(1, 16):
            await p.store(notice(occurrence=n))
        for _ in range(20):
            p.sender.wake()
            await asyncio.sleep(0.002)
        await p.settled(30)
    assert script.most_at_work == 1
    assert len({m["Message-ID"] for m in script.taken}) == len(script.taken) == 30


async def test_a_sender_refused_is_the_plant_files_fault_and_no_mail_is_lost(tmp_path: Path) -> None:
    script, clock = Script(sender=["550 who are you"]), HandClock(AT_MS)
    async with (
        scripted(script) as port,
        post(tmp_path, plant(ON_CALL, mail=server(port)), clock) as p,
        running(p.sender),
    ):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
        assert "refused the sender waterside@quillmarsh.example: 550 who are you" in p.told[0]
        assert p.states() == ["waiting"]
        assert await steps(clock, lambda: p.states() == ["sent"], "the mail") >= 60


@pytest.mark.parametrize("answer", ["530 5.7.0 authentication required", "538 encryption required"])
async def test_a_login_the_server_misses_is_the_plant_files_fault_whenever_it_is_said(
    tmp_path: Path, answer: str
) -> None:
    script, clock = Script(), HandClock(AT_MS)
    script.rcpt[ON_CALL] = [answer]  # RFC 4954, 4 and 6: to any command but those that begin a talk
    async with (
        scripted(script) as port,
        post(tmp_path, plant(ON_CALL, CHIEF, mail=server(port)), clock) as p,
        running(p.sender),
    ):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
        assert answer in p.told[0]
        assert "user and password_file" in p.told[0]
        assert p.states() == ["waiting", "waiting"]
        assert await steps(clock, lambda: p.states() == ["sent", "sent"], "the mails") >= 60
    assert p.told[-1] == ""


async def test_a_server_that_drops_the_line_with_a_mail_in_hand_gets_the_same_again(tmp_path: Path) -> None:
    script, clock, dropped = Script(), HandClock(AT_MS), asyncio.Event()

    async def drop(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 mail.quillmarsh.example\r\n")
        while (line := await reader.readline()) and line != b"DATA\r\n":
            writer.write(b"250 go on\r\n")
        writer.write(b"354 go on\r\n")
        while (line := await reader.readline()) and line != b".\r\n":
            pass
        if line:
            dropped.set()
        writer.transport.abort()

    (port,) = free_ports(1)
    async with post(tmp_path, plant(ON_CALL, mail=server(port)), clock) as p, running(p.sender):
        async with await asyncio.start_server(drop, "127.0.0.1", port):
            await p.store(notice(), notice(occurrence=1043))
            await asyncio.wait_for(dropped.wait(), 60)
            await until(lambda: p.mails()[0].tries, "a failure")
            assert "broke off" in p.mails()[0].note
        async with scripted(script, port):
            await steps(clock, lambda: p.states() == ["sent", "sent"], "the mails")
    assert [m["Message-ID"].split(".")[0] for m in script.taken] == ["<1042", "<1043"]


async def test_a_message_refused_for_good_is_recorded_with_the_servers_words(tmp_path: Path) -> None:
    script = Script(data=["554 not of this kind"])
    async with scripted(script) as port, post(tmp_path, plant(ON_CALL, mail=server(port))) as p, running(p.sender):
        await p.store(notice(), notice(occurrence=1043))
        await p.settled(2)
    assert p.states() == ["refused", "sent"]
    assert "554 not of this kind" in p.mails()[0].note
    assert p.told == [p.told[0], ""]
    assert "554 not of this kind" in p.told[0]


async def test_without_starttls_nothing_is_sent_in_the_clear(tmp_path: Path, certs: Certificates) -> None:
    script = Script()
    mail = plant(ON_CALL, mail="")
    async with scripted(script) as port:
        mail = plant(ON_CALL, mail=server(port, "starttls", *login(tmp_path), trusting(certs)))
        async with post(tmp_path, mail) as p, running(p.sender):
            await p.store(notice())
            await until(lambda: p.told, "the trouble")
    assert "STARTTLS" in p.told[0]
    assert p.states() == ["waiting"]
    assert script.taken == []


async def test_a_server_that_says_nothing_is_left_after_a_while(tmp_path: Path) -> None:
    async def mute(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read()
        writer.close()

    async with await asyncio.start_server(mute, "127.0.0.1", 0) as silent:
        port = silent.sockets[0].getsockname()[1]
        async with post(tmp_path, plant(ON_CALL, mail=server(port)), timeout_s=0.2) as p, running(p.sender):
            await p.store(notice())
            await until(lambda: p.mails()[0].tries, "a try")
    assert p.states() == ["waiting"]
    assert "cannot be reached" in p.mails()[0].note


async def test_a_temporary_refusal_that_does_not_end_is_said(tmp_path: Path) -> None:
    script, clock = Script(), HandClock(AT_MS)
    script.rcpt[ON_CALL] = ["450 later"] * 6
    async with (
        scripted(script) as port,
        post(tmp_path, plant(ON_CALL, mail=server(port)), clock) as p,
        running(p.sender),
    ):
        await p.store(notice())
        due_ms = 0
        for tries in range(1, 7):
            await steps(clock, lambda t=tries: p.mails()[0].tries == t, f"try {tries}")
            assert clock.now_ms() >= due_ms  # not before its time; plant time goes on while a try is under way
            assert p.mails()[0].next_ms >= due_ms + pause_s(tries) * 1000
            due_ms = p.mails()[0].next_ms
            await until(lambda: p.sender._idle.is_set(), "rest")
            assert any(p.told) == (tries >= 5)
        await steps(clock, lambda: p.states() == ["sent"], "the mail")
    assert "put off again and again" in p.told[-2]
    assert p.told[-1] == ""


async def test_the_name_given_in_the_greeting_is_one_a_strict_server_takes(tmp_path: Path) -> None:
    script = Script()
    async with scripted(script) as port, post(tmp_path, plant(ON_CALL, mail=server(port))) as p, running(p.sender):
        await p.store(notice())
        await p.settled(1)
    assert re.fullmatch(r"[A-Za-z0-9.-]+", script.hello[0])


async def test_tls_of_a_scripted_server_is_used_when_it_is_offered(tmp_path: Path, certs: Certificates) -> None:
    script = Script()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certs.cert, certs.key)
    more: tuple[str, ...] = (*login(tmp_path), trusting(certs))
    site: Callable[[int], Plant] = lambda port: plant(ON_CALL, mail=server(port, "starttls", *more))  # noqa: E731
    async with scripted(script, tls=context) as port, post(tmp_path, site(port)) as p, running(p.sender):
        await p.store(notice())
        await p.settled(1)
    assert len(script.taken) == 1


async def test_a_certificate_that_has_expired_is_said_and_the_mail_waits_for_a_new_one(
    tmp_path: Path, certs: Certificates
) -> None:
    script, clock = Script(), HandClock(AT_MS)
    old, new = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    old.load_cert_chain(*expired(tmp_path, certs))
    new.load_cert_chain(certs.cert, certs.key)
    (port,) = free_ports(1)
    mail = server(port, "starttls", *login(tmp_path), trusting(certs))
    async with post(tmp_path, plant(ON_CALL, mail=mail), clock) as p, running(p.sender):
        async with scripted(script, port, tls=old):
            await p.store(notice())
            await until(lambda: p.told, "the trouble")
        assert "not trusted (certificate has expired)" in p.told[0]
        assert (p.states(), script.taken) == (["waiting"], [])
        async with scripted(script, port, tls=new):
            await steps(clock, lambda: p.states() == ["sent"], "the mail")
    assert p.told[-1] == ""
    assert len(script.taken) == 1
