"""What one mail tells one person, to the message that is sent.

Pure (no clock, no files, no network). May import: config, daemon.core, daemon.notify. The same telling makes the same
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
from daemon.notify.brief import brief
from daemon.notify.exhibit import Exhibit
from daemon.notify.letter import Letter, letter
from daemon.notify.render import html, plain
from daemon.notify.telling import Telling
from daemon.notify.wording import clean, instant, zone_of

NOBODY: Final = "waterside@waterside.invalid"
"""Sender of mails written as files where the plant has no [mail]."""

_POLICY: Final = SMTP.clone(cte_type="7bit")  # no relay on the way has to know 8-bit bodies

_MESSAGE_ID: Final = re.compile(r"<[!-;=?-~]{1,250}>")
_EMPTY_FIRST_LINE: Final = re.compile(rb"^([A-Za-z-]+):\r\n[ \t]+", re.MULTILINE)


def compose(
    telling: Telling,
    plant: Plant,
    *,
    now_ms: int,
    demo_speed: float | None = None,
    host: str = "",
    exhibit: Exhibit | None = None,
) -> EmailMessage:
    """The message for one person. Never raises for odd words in it.

    `now_ms`: plant time of sending, ms UTC, goes into Date; `demo_speed` is set in the demo alone; `host`: name of the
    plant PC for the line on acknowledging; `exhibit`: picture and figures of the last hours, where they could be made.
    """
    words = letter(telling, plant, now_ms=now_ms, demo_speed=demo_speed, host=host, exhibit=exhibit)
    subject, text = brief(telling, plant, words) if telling.short else (words.subject, plain(words))
    message = EmailMessage(policy=_POLICY)
    sender_name, sender = _sender(plant)
    message["Subject"] = subject
    message["From"] = _address(sender_name, sender)
    message["To"] = _address(telling.name, telling.address)
    if telling.reply_to:
        message["Reply-To"] = _address(sender_name, telling.reply_to)
    message["Date"] = format_datetime(instant(now_ms, zone_of(plant)))
    own = telling_id(telling, plant)
    message["Message-ID"] = own
    if refers := [r for r in _threads(telling, plant) if r != own]:
        message["In-Reply-To"] = refers[0]
        message["References"] = " ".join(refers)
    message["Auto-Submitted"] = "auto-replied" if telling.why == "answer" else "auto-generated"
    if any(n.event == "raised" and n.priority in ("highest", "high") for n in telling.notices):
        message["Importance"] = "high"
    message.set_content(text)
    if not telling.short:
        _add_page(message, words, own)
    return message


def _add_page(message: EmailMessage, words: Letter, own: str) -> None:
    """The HTML, with the picture beside it. Boundaries are fixed: the same telling makes the same bytes."""
    picture = words.picture.png if words.picture else b""
    cid = f"trend.{_hash('picture', own)}@{own.rpartition('@')[2].rstrip('>')}"
    message.add_alternative(html(words, f"cid:{cid}" if picture else ""), subtype="html")
    message.set_boundary(f"=_{_hash('boundary', own)}")
    if picture:
        page = message.get_payload()[1]  # type: ignore[index]
        assert isinstance(page, EmailMessage)
        page.add_related(picture, "image", "png", cid=f"<{cid}>", disposition="inline", filename="trend.png")
        page.set_boundary(f"=_{_hash('related', own)}")


def wire(message: EmailMessage) -> bytes:
    """The message as it goes over the wire and into files: CRLF lines, no header whose first line is empty.

    UTF-8 stands in headers only where an address asks for it (a name before the @ beyond ASCII).
    """
    addresses = [a.addr_spec for name in ("From", "To") for a in message[name].addresses]
    raw = message.as_bytes(policy=_POLICY if all(map(str.isascii, addresses)) else _POLICY.clone(utf8=True))
    head, blank, rest = raw.partition(b"\r\n\r\n")
    # legal, but readers show the space: the library puts a long word on a line of its own
    return _EMPTY_FIRST_LINE.sub(rb"\1: ", head) + blank + rest


def telling_id(telling: Telling, plant: Plant) -> str:
    """The Message-ID of a telling. The first news of one event is that event's own `message_id`."""
    t = telling
    if len(t.notices) == 1 and t.why == "news" and t.nth == 1 and not t.short:
        return message_id(t.notices[0], t.notices[0].event, t.address, plant)
    events = [message_id(n, n.event, t.address, plant) for n in t.notices]
    text = () if t.notices else (t.text, t.title, t.at_ms, t.answers)
    what = (plant.plant.name, t.why, t.nth, t.address, t.short, events, text)
    number = f"{t.notices[0].occurrence}." if len(t.notices) == 1 else ""
    return f"<{number}{t.why.replace(' ', '-')}.{t.nth}.{_hash(*what)}@{_domain(_sender(plant)[1])}>"


def _threads(telling: Telling, plant: Plant) -> list[str]:
    """What a telling belongs to: the raise of each of its alarms, or the mail it answers."""
    if telling.short:
        return []
    if telling.answers:
        return [m] if (m := clean(telling.answers)) and _MESSAGE_ID.fullmatch(m) else []
    return list(dict.fromkeys(message_id(n, "raised", telling.address, plant) for n in telling.notices))


def message_id(notice: Notice, event: str, recipient: str, plant: Plant) -> str:
    """The Message-ID of one event of an occurrence for one recipient; that of `raised` is the root of its thread.

    A person who is told later, by a reminder or an escalation, has the same root: readers join what refers to one
    mail even where that mail never came.
    """
    when = notice.since_ms if event == "raised" else notice.at_ms  # numbers start anew with a new store, times do not
    what = (plant.plant.name, notice.target, notice.kind, notice.name, notice.occurrence, event, when, recipient)
    domain = _domain(_sender(plant)[1])
    word = "".join(c for c in event if c.isascii() and c.isalnum())[:40] or "event"
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
