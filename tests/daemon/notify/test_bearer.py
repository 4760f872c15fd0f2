"""Login by a token: to exim4, and to a scripted peer that refuses as RFC 7628 says."""

from __future__ import annotations

import base64
import ssl
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.smtp import AuthResult

from daemon.notify.bearer import first_words, in_words
from tests.support.clock import HandClock
from tests.support.mailserver import TOKEN, Certificates, Exim, Script, scripted, until
from tests.support.notices import AT_MS, ON_CALL, notice, plant
from tests.support.post import post, running, server, steps, trusting


def by_token(folder: Path, token: str = TOKEN) -> tuple[str, str]:
    """User and token_file of [mail]."""
    (folder / "token").write_text(token + "\n")
    return 'user = "waterside"', f'token_file = "{folder / "token"}"'


def test_the_first_words_are_those_of_the_rfc() -> None:
    # RFC 7628, 4.1, the example's user, host, port and token
    made = first_words(
        "OAUTHBEARER", "user@example.com", "server.example.com", 143, "vF9dft4qmTc2Nvb3RlckBhbHRhdmlzdGEuY29tCg=="
    )
    assert made == (
        b"bixhPXVzZXJAZXhhbXBsZS5jb20sAWhvc3Q9c2VydmVyLmV4YW1wbGUuY29tAXBvcnQ9MTQzAWF1dGg9QmVhcmVyI"
        b"HZGOWRmdDRxbVRjMk52YjNSbGNrQmhiSFJoZG1semRHRXVZMjl0Q2c9PQEB"
    )
    assert base64.b64decode(first_words("OAUTHBEARER", "a,b=c", "h", 1, "t")).startswith(b"n,a=a=2Cb=3Dc,\x01")


@pytest.mark.parametrize("challenge", ["", "no base64 !", "bm8ganNvbg==", "W10=", "eyJzdGF0dXMiOiA0MDF9", "/w=="])
def test_what_is_no_account_of_a_refusal_is_none(challenge: str) -> None:
    assert in_words(challenge) == ""


async def test_exim_takes_a_token_that_was_renewed_after_it_refused_the_old_one(postbox: Exim, tmp_path: Path) -> None:
    clock = HandClock(AT_MS)
    mail = server(postbox.port, "starttls", *by_token(tmp_path, "old"), trusting(postbox.certificates))
    async with post(tmp_path, plant(ON_CALL, mail=mail), clock) as p, running(p.sender):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
        assert "refused the token of waterside" in p.told[0]
        assert "535" in p.told[0]
        assert p.states() == ["waiting"]
        by_token(tmp_path)
        assert await steps(clock, lambda: p.states() == ["sent"], "the mail") >= 60
        await postbox.delivered(1)
    assert p.told[1:] == [""]
    assert "A=bearer:waterside" in postbox.log()


async def test_the_servers_account_of_a_refusal_is_said_in_plain_words(tmp_path: Path, certs: Certificates) -> None:
    answers: list[bytes] = []

    class Refusing(Script):
        async def auth_OAUTHBEARER(self, server: Any, args: list[str]) -> Any:
            # RFC 7628, 4.3: the server's JSON, and the client's one octet before the refusal
            answers.append(await server.challenge_auth('{"status":"invalid_token","scope":"mail.send"}'))
            await server.push("535 5.7.8 no")
            return AuthResult(success=False, handled=True)

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certs.cert, certs.key)
    async with scripted(Refusing(), tls=context) as port:
        mail = server(port, "starttls", *by_token(tmp_path), trusting(certs))
        async with post(tmp_path, plant(ON_CALL, mail=mail)) as p, running(p.sender):
            await p.store(notice())
            await until(lambda: p.told, "the trouble")
    assert answers == [b"\x01"]
    assert "the token has expired, was withdrawn" in p.told[0]
    assert "mail.send" in p.told[0]
    assert TOKEN not in p.told[0]
    assert p.states() == ["waiting"]


@pytest.mark.parametrize("text", ["", "two words", "x" * 9000])
async def test_a_file_without_a_token_is_said(tmp_path: Path, postbox: Exim, text: str) -> None:
    mail = server(postbox.port, "starttls", *by_token(tmp_path, text), trusting(postbox.certificates))
    async with post(tmp_path, plant(ON_CALL, mail=mail)) as p, running(p.sender):
        await p.store(notice())
        await until(lambda: p.told, "the trouble")
    assert "holds no token" in p.told[0]
    assert p.states() == ["waiting"]


async def test_where_only_xoauth2_is_known_the_token_goes_by_it(tmp_path: Path, certs: Certificates) -> None:
    said: list[bytes] = []

    class Older(Script):
        async def auth_XOAUTH2(self, server: Any, args: list[str]) -> Any:
            said.append(base64.b64decode(args[1]))
            if said[-1] == f"user=waterside\x01auth=Bearer {TOKEN}\x01\x01".encode():
                return AuthResult(success=True, auth_data="waterside")
            said.append(await server.challenge_auth('{"status":"insufficient_scope"}'))
            await server.push("535 5.7.8 no")
            return AuthResult(success=False, handled=True)

    script, clock = Older(), HandClock(AT_MS)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certs.cert, certs.key)
    async with scripted(script, tls=context) as port:
        mail = server(port, "starttls", *by_token(tmp_path, "old"), trusting(certs))
        async with post(tmp_path, plant(ON_CALL, mail=mail), clock) as p, running(p.sender):
            await p.store(notice())
            await until(lambda: p.told, "the trouble")
            assert "not allowed to send mail, insufficient_scope" in p.told[0]
            assert said[1] == b""
            by_token(tmp_path)
            await steps(clock, lambda: p.states() == ["sent"], "the mail")
    assert len(script.taken) == 1
