"""Mails to a real mail server: encrypted, logged in, refused, put off."""

from __future__ import annotations

import re
import socket
from pathlib import Path

import pytest

from daemon.notify.compose import compose, wire
from tests.support.clock import HandClock
from tests.support.mailserver import (
    Exim,
    parsed,
    until,
)
from tests.support.notices import AT_MS, CHIEF, GONE, ON_CALL, SLOW, notice, plant, telling
from tests.support.post import login, post, running, server, steps, trusting


@pytest.mark.parametrize("security", ["starttls", "tls"])
async def test_a_mail_goes_encrypted_and_logged_in_and_arrives_whole(
    postbox: Exim, tmp_path: Path, security: str
) -> None:
    port = postbox.port if security == "starttls" else postbox.tls_port
    mail = server(port, security, *login(tmp_path), trusting(postbox.certificates))
    async with post(tmp_path, plant(ON_CALL, CHIEF, mail=mail)) as p, running(p.sender):
        await p.store(notice())
        arrived = await postbox.delivered(2)
        await p.settled(2)
    assert p.states() == ["sent", "sent"]
    assert p.told == [""]
    assert {m["Envelope-to"] for m in arrived} == {ON_CALL, CHIEF}
    for m in arrived:
        assert m["Subject"] == "Quillmarsh Creamery B1: conductivity high 3,420 umho/cm (limit 3,300) [1042]"
        assert m["Auto-Submitted"] == "auto-generated"
        plain, html = m.get_body(("plain",)), m.get_body(("html",))
        assert plain is not None
        assert html is not None
        assert "waterside ack 1042 --by NAME" in plain.get_content()
        assert "waterside ack 1042 --by NAME" in html.get_content()
    assert re.search(r"<= waterside@quillmarsh\.example .*X=TLS\S+ .*A=plain:waterside", postbox.log())


async def test_what_arrives_is_what_was_composed(postbox: Exim, tmp_path: Path) -> None:
    mail = server(postbox.port, "starttls", *login(tmp_path), trusting(postbox.certificates))
    said = [
        notice(name="Grün 水", evidence="line " * 300, held_back=("Conductivity low",)),
        notice(name="Grün 水", event="returned", at_ms=AT_MS + 60_000),
    ]
    async with post(tmp_path, plant(ON_CALL, mail=mail)) as p, running(p.sender):
        for n in said:
            await p.store(n)
            await p.settled(p.groups)
        arrived = sorted(await postbox.delivered(2), key=lambda m: m["In-Reply-To"] is not None)
        now_ms = p.clock.now_ms()  # it stands still
    for n, came in zip(said, arrived, strict=True):
        made = parsed(wire(compose(telling(n, ON_CALL, p.plant), p.plant, now_ms=now_ms, host=socket.gethostname())))
        for header in ("Subject", "From", "To", "Date", "Message-ID", "In-Reply-To", "References", "Auto-Submitted"):
            assert came[header] == made[header], header
        assert came["Return-path"] == "<waterside@quillmarsh.example>"
        for subtype in ("plain", "html"):
            one, other = came.get_body((subtype,)), made.get_body((subtype,))
            assert one is not None
            assert other is not None
            assert one.get_content().splitlines() == other.get_content().splitlines()  # a maildir has its own line ends
    assert arrived[1]["In-Reply-To"] == arrived[0]["Message-ID"]


async def test_one_refused_for_good_stops_nobody_and_is_told_once(postbox: Exim, tmp_path: Path) -> None:
    mail = server(postbox.port, "starttls", *login(tmp_path), trusting(postbox.certificates))
    async with post(tmp_path, plant(GONE, ON_CALL, mail=mail)) as p, running(p.sender):
        await p.store(notice())
        await p.settled(2)
        # what the service does with trouble: an alarm of its own, mailed to the same people
        await p.store(notice(target="logger", kind="logger_mail", occurrence=1043, value=None, limit=None))
        await p.settled(4)
        await p.store(notice(event="returned", at_ms=AT_MS + 60_000))
        await p.settled(6)
    assert p.states() == ["refused", "sent"] * 3
    assert "550 no such person here" in p.mails()[0].note
    assert len(p.told) == 1, "a refusal of the mail about refusals must not lead to another"
    assert GONE in p.told[0]
    assert "550 no such person here" in p.told[0]
    assert [m["Envelope-to"] for m in await postbox.delivered(3)] == [ON_CALL] * 3


async def test_a_wrong_password_is_said_at_once_keeps_the_mail_and_is_read_anew_at_each_try(
    postbox: Exim, tmp_path: Path
) -> None:
    clock = HandClock(AT_MS)
    mail = server(postbox.port, "starttls", *login(tmp_path, "wrong"), trusting(postbox.certificates))
    async with post(tmp_path, plant(ON_CALL, mail=mail), clock) as p, running(p.sender):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
        assert "refused the login of waterside: 535" in p.told[0]
        assert "password_file" in p.told[0]
        assert p.states() == ["waiting"]
        login(tmp_path)
        assert await steps(clock, lambda: p.states() == ["sent"], "the mail") >= 60
        await postbox.delivered(1)
    assert p.states() == ["sent"]
    assert len(p.told) == 2
    assert p.told[1] == ""


async def test_a_certificate_nobody_vouches_for_gets_no_password_and_a_clear_word(
    postbox: Exim, tmp_path: Path
) -> None:
    strange = f'ca_file = "{postbox.certificates.stranger}"'
    mail = server(postbox.port, "starttls", *login(tmp_path), strange)
    logins = postbox.log().count("A=plain")
    async with post(tmp_path, plant(ON_CALL, mail=mail)) as p, running(p.sender):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
    assert "shows a certificate that is not trusted" in p.told[0]
    assert "ca_file" in p.told[0]
    assert p.states() == ["waiting"]
    assert postbox.log().count("A=plain") == logins


async def test_a_certificate_of_another_name_is_not_trusted(postbox: Exim, tmp_path: Path) -> None:
    mail = server(postbox.tls_port, "tls", *login(tmp_path), trusting(postbox.certificates))
    async with post(tmp_path, plant(ON_CALL, mail=mail.replace("localhost", "127.0.0.1"))) as p, running(p.sender):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
    assert "shows a certificate that is not trusted" in p.told[0]
    assert p.states() == ["waiting"]


async def test_one_put_off_waits_and_goes_later_without_alarm(postbox: Exim, tmp_path: Path) -> None:
    clock = HandClock(AT_MS)
    mail = server(postbox.port, "starttls", *login(tmp_path), trusting(postbox.certificates))
    postbox.busy(True)
    async with post(tmp_path, plant(SLOW, ON_CALL, mail=mail), clock) as p, running(p.sender):
        await p.store(notice())
        await p.settled(1)
        assert p.states() == ["waiting", "sent"]
        assert "come back later" in p.mails()[0].note
        postbox.busy(False)
        assert await steps(clock, lambda: p.states()[0] == "sent", "the second try") >= 60
    assert p.states() == ["sent", "sent"]
    assert p.told == [""]
