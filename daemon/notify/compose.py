"""A stored mail row and its plant to the message that is sent.

Pure (no clock, no files, no network). May import: config, daemon.core, daemon.notify. The same row makes the same
Message-ID however often it is composed, so that a mail sent twice around a crash is one mail to its reader.
"""

from __future__ import annotations

import hashlib
import json
import re
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, parseaddr
from typing import Final

from config.model import Plant
from daemon.core.outcome import Notice
from daemon.notify.letter import letter
from daemon.notify.outbox import from_json
from daemon.notify.render import html, plain
from daemon.notify.wording import clean, instant, zone_of

NOBODY: Final = "waterside@waterside.invalid"
"""Sender of mails written as files where the plant has no [mail]."""

_POLICY: Final = SMTP.clone(cte_type="7bit")  # no relay on the way has to know 8-bit bodies

_EMPTY_FIRST_LINE: Final = re.compile(rb"^([A-Za-z-]+):\r\n[ \t]+", re.MULTILINE)


def compose(
    body: str | Notice, recipient: str, plant: Plant, *, now_ms: int, demo_speed: float | None = None, host: str = ""
) -> EmailMessage:
    """The message for one recipient. `body`: a row's JSON, or the notice itself.

    `now_ms`: plant time of sending, ms UTC, goes into Date; `demo_speed` is set in the demo alone; `host`: name of the
    plant PC for the line on acknowledging. Raises ValueError when `body` is no notice.
    """
    notice = body if isinstance(body, Notice) else from_json(body)
    words = letter(notice, plant, now_ms=now_ms, demo_speed=demo_speed, host=host)
    message = EmailMessage(policy=_POLICY)
    sender_name, sender = _sender(plant)
    person = next((p.name for p in plant.persons if p.mail == recipient), "")
    message["Subject"] = words.subject
    message["From"] = _address(sender_name, sender)
    message["To"] = _address(person, recipient)
    message["Date"] = format_datetime(instant(now_ms, zone_of(plant)))
    first = message_id(notice, "raised", recipient, plant)
    own = message_id(notice, notice.event, recipient, plant)
    message["Message-ID"] = own
    if own != first:
        message["In-Reply-To"] = first
        message["References"] = first
    message["Auto-Submitted"] = "auto-generated"
    if notice.event == "raised" and notice.priority in ("highest", "high"):
        message["Importance"] = "high"
    message.set_content(plain(words))
    message.add_alternative(html(words), subtype="html")
    # a fixed boundary: the same row makes the same bytes
    message.set_boundary(f"=_{_hash('boundary', own)}")
    return message


def wire(message: EmailMessage) -> bytes:
    """The message as it goes over the wire and into files: CRLF lines, no header whose first line is empty.

    UTF-8 stands in headers only where an address asks for it (a name before the @ beyond ASCII).
    """
    addresses = [a.addr_spec for name in ("From", "To") for a in message[name].addresses]
    raw = message.as_bytes(policy=_POLICY if all(map(str.isascii, addresses)) else _POLICY.clone(utf8=True))
    head, blank, rest = raw.partition(b"\r\n\r\n")
    # legal, but readers show the space: the library puts a long word on a line of its own
    return _EMPTY_FIRST_LINE.sub(rb"\1: ", head) + blank + rest


def message_id(notice: Notice, event: str, recipient: str, plant: Plant) -> str:
    """The Message-ID of one event of an occurrence for one recipient; that of `raised` is the root of its thread."""
    when = notice.since_ms if event == "raised" else notice.at_ms  # numbers start anew with a new store, times do not
    what = (plant.plant.name, notice.target, notice.kind, notice.name, notice.occurrence, event, when, recipient)
    domain = _domain(_sender(plant)[1])
    word = "".join(c for c in event if c.isascii() and c.isalnum()) or "event"
    return f"<{notice.occurrence}.{word}.{_hash(*what)}@{domain}>"


def _hash(*parts: object) -> str:
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:24]


def _sender(plant: Plant) -> tuple[str, str]:
    name, address = parseaddr(plant.mail.sender) if plant.mail else ("", NOBODY)
    return clean(name) or clean(plant.plant.name), address if "@" in address else NOBODY


def _domain(address: str) -> str:
    domain = _plain_domain(address.rpartition("@")[2])
    return domain if domain.isascii() and all(c.isalnum() or c in "-." for c in domain) else "waterside.invalid"


def _plain_domain(domain: str) -> str:
    try:
        return domain.encode("idna").decode("ascii")
    except UnicodeError:
        return domain


def _address(name: str, address: str) -> Address:
    user, _, domain = clean(address).rpartition("@")
    return Address(display_name=clean(name), username=user, domain=_plain_domain(domain))
