"""The talk with the mail server, and what its answers mean: taken, try later, or refused for good.

The mail library is imported when the first mail goes. May import: config,
daemon.notify.compose. Waits here are real time: sockets know no
other.
"""

from __future__ import annotations

import asyncio
import re
import ssl
from email.message import EmailMessage
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Final, Self

from config.model import Mail
from daemon.core.clock import pause
from daemon.notify.answers import TIMEOUT_S, Later, Refused
from daemon.notify.bearer import BearerRefused, token_of
from daemon.notify.bearer import login as login_by_token
from daemon.notify.compose import wire

if TYPE_CHECKING:
    import aiosmtplib

TALK_S: Final = 120.0  # and for one whole mail, whatever dribbles in

_LOGIN: Final = frozenset({530, 534, 535, 538})  # RFC 4954, 6: the server wants a login or encryption, not other mail


class Talk:
    """One connection to the server of the plant file, opened for the first mail, used for as many as come.

    `host`: the name this PC gives for itself.
    """

    def __init__(self, mail: Mail, host: str, timeout_s: float = TIMEOUT_S) -> None:
        self._mail, self._timeout_s = mail, timeout_s
        self._host = re.sub(r"[^A-Za-z0-9.-]", "-", host).strip("-.") or "localhost"
        self._where = f"the mail server {mail.server}:{mail.port}"
        self._client: aiosmtplib.SMTP | None = None

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, e: BaseException | None, tb: TracebackType | None
    ) -> None:
        import aiosmtplib

        client, self._client = self._client, None
        if client is None:
            return
        try:
            if kind is None and client.is_connected:
                async with asyncio.timeout(5):
                    await client.quit()
        except (aiosmtplib.SMTPException, OSError):  # it was polite to try
            pass
        finally:
            _cut(client)
        if kind is None:
            await pause(0)  # the socket closes in the next turn of the loop

    async def deliver(self, message: EmailMessage, recipient: str) -> str:
        """Hand over one message; returns the server's words after it has taken it. Raises Later or Refused."""
        used = self._client is not None
        try:
            return await self._deliver(message, recipient)
        except Later as e:
            if not (used and e.server) or e.stays:
                raise
            self._drop()  # servers end a connection after so many mails: once more on a fresh one
            return await self._deliver(message, recipient)

    async def _deliver(self, message: EmailMessage, recipient: str) -> str:
        import aiosmtplib

        client = self._client or await self._connect()
        raw, to = wire(message), message["To"].addresses[0].addr_spec
        sender = message["From"].addresses[0].addr_spec
        options = [] if sender.isascii() and to.isascii() else ["SMTPUTF8", "BODY=8BITMIME"]
        try:
            async with asyncio.timeout(max(TALK_S, self._timeout_s)):
                errors, said = await client.sendmail(sender, [to], raw, mail_options=options)
        except aiosmtplib.SMTPRecipientsRefused as e:
            first = e.recipients[0]
            raise self._judged(first.code, f"refused {recipient}: {first.code} {first.message}") from e
        except aiosmtplib.SMTPSenderRefused as e:
            text = f"refused the sender {sender}: {e.code} {e.message}. Check sender, user and server in [mail]."
            raise Later(self._says(text), server=True, stays=e.code >= 500) from e
        except aiosmtplib.SMTPResponseException as e:
            raise self._judged(e.code, f"answered {e.code} {e.message}") from e
        except aiosmtplib.SMTPNotSupported as e:
            raise Refused(self._says(f"cannot carry the address {recipient}: {e.message}")) from e
        except (aiosmtplib.SMTPException, OSError) as e:
            self._drop()
            raise Later(self._says(f"broke off ({_why(e)})"), server=True) from e
        except ValueError as e:
            raise Refused(f"{recipient} is no address to send to: {e}") from e
        if errors:  # the one recipient among them
            code, answer = next(iter(errors.values()))
            raise self._judged(code, f"refused {recipient}: {code} {answer}")
        return " ".join(said.split())[:500]

    async def _connect(self) -> aiosmtplib.SMTP:
        import aiosmtplib

        mail, password = self._mail, _password(self._mail)
        token = token_of(mail.token_file) if mail.token_file is not None else None
        client = aiosmtplib.SMTP(
            hostname=mail.server,
            port=mail.port,
            use_tls=mail.security == "tls",
            start_tls=mail.security == "starttls",
            tls_context=_context(mail),
            local_hostname=self._host,
            timeout=self._timeout_s,
        )
        try:
            async with asyncio.timeout(max(TALK_S, self._timeout_s)):
                await client.connect()
                if mail.user is not None and token is not None:
                    await login_by_token(client, mail.user, mail.server, mail.port, token)
                elif mail.user is not None:
                    await client.login(mail.user, password or "")
        except BaseException as e:
            _cut(client)
            if isinstance(e, (aiosmtplib.SMTPException, OSError, BearerRefused)):
                raise self._no_connection(e) from e
            raise
        self._client = client
        return client

    def _no_connection(self, e: BaseException) -> Later:
        import aiosmtplib

        mail = self._mail
        cause = _ssl_cause(e)
        if isinstance(cause, ssl.SSLCertVerificationError):
            text = (
                f"shows a certificate that is not trusted ({cause.verify_message}). "
                "Check the server's name and ca_file in [mail]."
            )
            return Later(self._says(text), server=True, stays=True)
        if cause is not None:
            text = f"does not agree on encryption ({cause.reason or cause}). Check port and security in [mail]."
            return Later(self._says(text), server=True, stays=True)
        if isinstance(e, BearerRefused):
            text = f"refused the token of {mail.user}: {e.said}. Check what renews token_file in [mail]."
            return Later(self._says(text), server=True, stays=e.code >= 500)
        if isinstance(e, aiosmtplib.SMTPAuthenticationError):
            text = f"refused the login of {mail.user}: {e.code} {e.message}. Check user and password_file in [mail]."
            return Later(self._says(text), server=True, stays=e.code >= 500)
        if isinstance(e, aiosmtplib.SMTPResponseException):
            return Later(self._says(f"answered {e.code} {e.message}"), server=True, stays=e.code >= 500)
        if isinstance(e, aiosmtplib.SMTPException) and not isinstance(e, OSError):
            text = f"cannot be used as set: {e.message} Check security, user and port in [mail]."
            return Later(self._says(text), server=True, stays=True)
        text = f"cannot be reached ({_why(e)}). Check the network, and server and port in [mail]."
        return Later(self._says(text), server=True)

    def _judged(self, code: int, text: str) -> Later | Refused:
        if code in _LOGIN:
            text += ". Check security, user and password_file in [mail]."
            return Later(self._says(text), server=True, stays=True)
        if 500 <= code < 600:
            return Refused(self._says(text))
        return Later(self._says(text), server=code == 421)  # 421: the server is closing

    def _says(self, text: str) -> str:
        return " ".join(f"{self._where} {text}".split())

    def _drop(self) -> None:
        if self._client is not None:
            _cut(self._client)
            self._client = None


def _cut(client: aiosmtplib.SMTP) -> None:
    """Close without the farewell of TLS, which would wait for the server's."""
    transport = client.transport
    client.close()
    if isinstance(transport, asyncio.WriteTransport):
        transport.abort()


def _why(e: BaseException) -> str:
    if isinstance(e, OSError) and e.strerror:
        return e.strerror
    return str(e) or ("no answer in time" if isinstance(e, TimeoutError) else type(e).__name__)


def _ssl_cause(e: BaseException | None) -> ssl.SSLError | None:
    while e is not None:
        if isinstance(e, ssl.SSLError):
            return e
        e = e.__cause__ or e.__context__
    return None


def _context(mail: Mail) -> ssl.SSLContext | None:
    if mail.security == "none":
        return None
    try:
        return ssl.create_default_context(cafile=mail.ca_file)
    except OSError as e:  # ssl.SSLError is one: a file that holds no certificate
        text = f"the certificates in ca_file {mail.ca_file} cannot be read: {e.strerror or e}"
        raise Later(text, server=True, stays=True) from e


def _password(mail: Mail) -> str | None:
    if mail.password_file is None:
        return None
    try:
        return Path(mail.password_file).read_text("utf-8").strip("\r\n")
    except (OSError, UnicodeError) as e:
        why = e.strerror if isinstance(e, OSError) else "it is not text"
        text = f"the password_file {mail.password_file} cannot be read: {why}"
        raise Later(text, server=True, stays=True) from e
