"""One message to the mail server, and what the answer means: taken, try later, or refused for good.

The mail library is imported when the first mail goes. May import: config.
"""

from __future__ import annotations

import ssl
from email.message import EmailMessage
from pathlib import Path
from typing import Final

from config.model import Mail

TIMEOUT_S: Final = 30.0  # real seconds for each step of the talk with the server


class Later(Exception):
    """Not taken now: no connection, a certificate or login that does not work, a temporary refusal."""


class Refused(Exception):
    """Refused for good: sending the same again would not help."""


async def deliver(message: EmailMessage, recipient: str, mail: Mail) -> None:
    """Hand one message to the server of the plant file. Raises Later or Refused; returns when it is taken."""
    import aiosmtplib

    where = f"{mail.server}:{mail.port}"
    try:
        errors, _ = await aiosmtplib.send(
            message,
            recipients=[recipient],
            sender=mail.sender,
            hostname=mail.server,
            port=mail.port,
            use_tls=mail.security == "tls",
            start_tls=mail.security == "starttls",
            tls_context=_context(mail),
            username=mail.user,
            password=_password(mail),
            timeout=TIMEOUT_S,
        )
    except aiosmtplib.SMTPRecipientsRefused as e:
        first = e.recipients[0]
        raise _by_code(first.code, f"{where} refused {recipient}: {first.code} {first.message}") from e
    except aiosmtplib.SMTPAuthenticationError as e:
        raise Later(f"{where} refused the login of {mail.user}: {e.code} {e.message}. Check user and password.") from e
    except aiosmtplib.SMTPResponseException as e:
        raise _by_code(e.code, f"{where} answered {e.code} {e.message}") from e
    except aiosmtplib.SMTPException as e:
        raise Later(f"{where}: {e}. Check server, port and security in [mail].") from e
    except ssl.SSLError as e:
        raise Later(f"{where}: its certificate is not trusted ({e.reason or e}). Check server name or ca_file.") from e
    except (OSError, TimeoutError) as e:
        raise Later(f"{where} cannot be reached: {e}") from e
    if errors:  # the one recipient among them
        code, answer = next(iter(errors.values()))
        raise _by_code(code, f"{where} refused {recipient}: {code} {answer}")


def _by_code(code: int, text: str) -> Later | Refused:
    return Refused(text) if 500 <= code < 600 else Later(text)


def _context(mail: Mail) -> ssl.SSLContext | None:
    if mail.security == "none":
        return None
    try:
        return ssl.create_default_context(cafile=mail.ca_file)
    except OSError as e:
        raise Later(f"the certificates in {mail.ca_file} cannot be read: {e}") from e


def _password(mail: Mail) -> str | None:
    if mail.password_file is None:
        return None
    try:
        return Path(mail.password_file).read_text("utf-8").strip()
    except OSError as e:
        raise Later(f"the password file {mail.password_file} cannot be read: {e.strerror}") from e
