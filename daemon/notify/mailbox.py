"""The mailbox over IMAP (RFC 3501, TLS): new mails, each given once; what was handled is marked as seen.

Blocking, by the standard library: the caller runs it in a thread of its own, a few seconds once a minute. (The
asynchronous client that was tried has neither STARTTLS nor a login by token.) May import: config, daemon.notify.
Which mails are new follows from a cursor: the mailbox's UIDVALIDITY and the highest UID handled. A mailbox never seen
before begins at its end; one whose UIDVALIDITY has changed is looked through again, and the Message-IDs of mails
handled keep them from counting twice.
"""

from __future__ import annotations

import imaplib
import re
import ssl
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from config.model import Mailbox
from daemon.notify.replies import LARGEST

TIMEOUT_S: Final = 20.0
MOST_A_LOOK: Final = 50


class MailboxTrouble(Exception):
    """The mailbox cannot be read; the text says why. `stays`: it will not mend itself."""

    def __init__(self, text: str, *, stays: bool = False) -> None:
        super().__init__(text)
        self.stays = stays


@dataclass(frozen=True, slots=True)
class Place:
    """How far the mailbox is read. `validity` 0: never."""

    validity: int = 0
    uid: int = 0


@dataclass(frozen=True, slots=True)
class Found:
    """One mail. `raw` is cut where it is larger than what is read."""

    uid: int
    raw: bytes


class Box:
    """One connection. Use as a context: it is logged out at the end."""

    def __init__(self, mailbox: Mailbox, timeout_s: float = TIMEOUT_S) -> None:
        self._mailbox, self._timeout_s = mailbox, timeout_s
        self._where = f"the mailbox {mailbox.user} at {mailbox.server}:{mailbox.port}"
        self._client: imaplib.IMAP4 | None = None

    def __enter__(self) -> Box:
        try:
            self._client = self._connect()
            self._login(self._client)
        except BaseException:
            self._drop()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        client = self._client
        if client is not None:
            with suppress(imaplib.IMAP4.error, OSError):
                client.logout()
        self._drop()

    def _drop(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with suppress(imaplib.IMAP4.error, OSError):
                client.shutdown()

    def _connect(self) -> imaplib.IMAP4:
        m = self._mailbox
        try:
            context = ssl.create_default_context(cafile=m.ca_file)
            if m.security == "tls":
                return imaplib.IMAP4_SSL(m.server, m.port, ssl_context=context, timeout=self._timeout_s)
            client = imaplib.IMAP4(m.server, m.port, timeout=self._timeout_s)
            try:
                client.starttls(context)
            except BaseException:
                with suppress(OSError):
                    client.shutdown()
                raise
            return client
        except ssl.SSLCertVerificationError as e:
            text = f"{self._where}: its certificate is not accepted ({e.verify_message}). Check server and ca_file."
            raise MailboxTrouble(text, stays=True) from e
        except imaplib.IMAP4.error as e:
            raise MailboxTrouble(f"{self._where} answers: {_said(e)}") from e
        except OSError as e:
            raise MailboxTrouble(f"{self._where} is not reached: {e}") from e

    def _login(self, client: imaplib.IMAP4) -> None:
        m = self._mailbox
        secret = self._secret()
        try:
            if m.token_file:
                said = f"n,a={m.user.replace('=', '=3D').replace(',', '=2C')},\x01auth=Bearer {secret}\x01\x01"
                answers = iter((said.encode(), b"\x01"))  # RFC 7628: an error is answered with one ^A
                client.authenticate("OAUTHBEARER", lambda _: next(answers, b""))
            elif "AUTH=PLAIN" in client.capabilities:
                client.authenticate("PLAIN", lambda _: f"\0{m.user}\0{secret}".encode())
            else:
                client.login(m.user, secret)
        except imaplib.IMAP4.abort as e:
            raise MailboxTrouble(f"{self._where} broke off at the login: {_said(e)}") from e
        except imaplib.IMAP4.error as e:
            which = "token_file" if m.token_file else "password_file"
            text = f"{self._where} refuses the login: {_said(e)}. Check user and {which} in [mailbox]."
            raise MailboxTrouble(text, stays=True) from e
        except OSError as e:
            raise MailboxTrouble(f"{self._where} broke off at the login: {e}") from e

    def _secret(self) -> str:
        file = self._mailbox.token_file or self._mailbox.password_file or ""
        try:
            return Path(file).read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError) as e:
            raise MailboxTrouble(f"{self._where}: {file} cannot be read: {e}", stays=True) from e

    def _ask(self, what: str, *words: str) -> list[Any]:
        assert self._client is not None
        try:
            status, data = self._client.uid(what, *words)
        except imaplib.IMAP4.error as e:
            raise MailboxTrouble(f"{self._where}: {what.lower()} fails: {_said(e)}") from e
        except OSError as e:
            raise MailboxTrouble(f"{self._where} broke off: {e}") from e
        if status != "OK":
            raise MailboxTrouble(f"{self._where}: {what.lower()} answers {status}: {data!r}")
        return [d for d in data if d is not None]

    def open(self) -> Place:
        """Open the folder; its UIDVALIDITY, and the UID before the next one to come."""
        assert self._client is not None
        try:
            status, data = self._client.select(_quoted(self._mailbox.folder))
            validity = self._number("UIDVALIDITY")
            following = self._number("UIDNEXT")
        except imaplib.IMAP4.error as e:
            raise MailboxTrouble(f"{self._where}: folder {self._mailbox.folder}: {_said(e)}", stays=True) from e
        except OSError as e:
            raise MailboxTrouble(f"{self._where} broke off: {e}") from e
        if status != "OK":
            text = f"{self._where} has no folder {self._mailbox.folder}: {_plain(data)}. Check folder in [mailbox]."
            raise MailboxTrouble(text, stays=True)
        if not following:
            uids = self._uids(1)
            following = uids[-1] + 1 if uids else 1
        return Place(validity, following - 1)

    def _number(self, name: str) -> int:
        assert self._client is not None
        _, data = self._client.response(name)
        found = next((d for d in data or () if d), b"0")
        return int(found) if isinstance(found, bytes) and found.isdigit() else 0

    def _uids(self, first: int) -> list[int]:
        data = self._ask("SEARCH", f"UID {first}:*")
        found = sorted(int(x) for d in data if isinstance(d, bytes) for x in d.split() if x.isdigit())
        return [u for u in found if u >= first]  # n:* gives the last one even where it is below n

    def new(self, after: int) -> list[Found]:
        """Mails above a UID, oldest first, at most `MOST_A_LOOK`."""
        out = []
        for uid in self._uids(after + 1)[:MOST_A_LOOK]:
            data = self._ask("FETCH", str(uid), f"(BODY.PEEK[]<0.{LARGEST + 1}>)")
            raw = next((d[1] for d in data if isinstance(d, tuple) and len(d) > 1), b"")
            out.append(Found(uid, raw))
        return out

    def seen(self, uid: int) -> None:
        """Mark a mail as seen, for people who look into the box; that it fails does no harm."""
        with suppress(MailboxTrouble):
            self._ask("STORE", str(uid), "+FLAGS.SILENT", "(\\Seen)")


def _said(e: Exception) -> str:
    return _plain(e.args)


def _plain(data: object) -> str:
    parts = data if isinstance(data, (list, tuple)) else (data,)
    words = " ".join(p.decode("utf-8", "replace") if isinstance(p, bytes) else str(p) for p in parts)
    return re.sub(r"\s+", " ", words).strip()[:200] or "no words"


def _quoted(folder: str) -> str:
    return '"' + folder.replace("\\", "\\\\").replace('"', '\\"') + '"'
