"""Login by a token in place of a password: OAUTHBEARER (RFC 7628), or XOAUTH2 where a server knows only that.

Another program renews the token; its file is read anew for each connection. May import: daemon.notify.answers.
"""

from __future__ import annotations

import base64
import json
from pathlib import Path
from typing import TYPE_CHECKING, Final

from daemon.notify.answers import Later

if TYPE_CHECKING:
    import aiosmtplib

_LONGEST: Final = 8192  # characters; RFC 4954, 4 allows 12288 octets for a line, in base64
_WORDS: Final = {  # RFC 6750, 3.1
    "invalid_token": "the token has expired, was withdrawn or is not one of this server's",
    "invalid_request": "the server found the login malformed",
    "insufficient_scope": "the token is not allowed to send mail",
}


class BearerRefused(Exception):
    """The server took no token; `said`: its reason in plain words. Raised with the code of its last answer."""

    def __init__(self, code: int, said: str) -> None:
        super().__init__(said)
        self.code, self.said = code, said


def token_of(path: str) -> str:
    """The token in a file. Raises Later when there is none that could be sent."""
    try:
        token = Path(path).read_text("utf-8").strip()
    except (OSError, UnicodeError) as e:
        why = (e.strerror or str(e)) if isinstance(e, OSError) else "it is not text"
        raise Later(f"the token_file {path} cannot be read: {why}", server=True, stays=True) from e
    if not token or len(token) > _LONGEST or any(not "!" <= c <= "~" for c in token):
        text = f"the token_file {path} holds no token: wants one line of at most {_LONGEST} printable characters"
        raise Later(text, server=True, stays=True)
    return token


def first_words(mechanism: str, user: str, host: str, port: int, token: str) -> bytes:
    """What the client says first, in base64 (RFC 7628, 3.1)."""
    if mechanism == "XOAUTH2":
        said = f"user={user}\x01auth=Bearer {token}\x01\x01"
    else:
        name = user.replace("=", "=3D").replace(",", "=2C")  # RFC 5801, 4
        said = f"n,a={name},\x01host={host}\x01port={port}\x01auth=Bearer {token}\x01\x01"
    return base64.b64encode(said.encode())


def in_words(challenge: str) -> str:
    """The server's account of a refusal (RFC 7628, 3.2.2: JSON in base64), in plain words; "" when it is none."""
    try:
        found = json.loads(base64.b64decode(challenge, validate=True))
    except (ValueError, RecursionError):
        return ""
    status = found.get("status") if isinstance(found, dict) else None
    if not isinstance(status, str):
        return ""
    status = status[:100]
    scope = found.get("scope")
    wanted = f" (it wants the scope {scope[:100]})" if isinstance(scope, str) and scope else ""
    return f"{_WORDS.get(status, 'the token was not taken')}, {status}{wanted}"


async def login(client: aiosmtplib.SMTP, user: str, host: str, port: int, token: str) -> None:
    """Log in with a token. Raises BearerRefused, and what the mail library raises."""
    if client.is_ehlo_or_helo_needed:
        await client.ehlo()
    offered = {m.upper() for m in client.server_auth_methods}
    mechanism = next((m for m in ("OAUTHBEARER", "XOAUTH2") if m in offered), "")
    if not mechanism:
        raise BearerRefused(504, "it offers no login by token; it wants user and password_file")
    words = first_words(mechanism, user, host, port, token)
    answer = await client.execute_command(b"AUTH", mechanism.encode(), words)
    why = ""
    if answer.code == 334:
        why = in_words(answer.message)
        # the client must answer before the refusal comes: one octet 01 (RFC 7628, 3.2.3), or for XOAUTH2 nothing
        answer = await client.execute_command(b"AQ==" if mechanism == "OAUTHBEARER" else b"")
    if answer.code != 235:
        raise BearerRefused(answer.code, f"{why or answer.message} ({answer.code})")
