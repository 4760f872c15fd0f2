"""What a mail that came to the mailbox says: an acknowledgement, or why it is none. Pure; never raises for a bad mail.

A reply acknowledges when all of this holds: a person wrote it (no automatic reply of RFC 3834, no bounce, no receipt,
no list), its one sender is a person of the plant file, its first own word is one of `WORDS` (what stands in the
quotation does not count), and it carries the token of a mail that this log wrote to that very address in the last 30
days. It acknowledges what that mail named and nothing else. May import: config, daemon.notify.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from email import message_from_bytes, policy
from email.message import Message
from email.utils import getaddresses
from html.parser import HTMLParser
from typing import Final, Literal

from config.model import Person
from daemon.notify.acknowledging import WORD
from daemon.notify.tokens import Token, expired, find, holds

WORDS: Final = frozenset({WORD, "acknowledge", "acknowledged", "acked"})
LARGEST: Final = 1_000_000  # bytes: a larger mail is not read
DEEPEST: Final = 200_000  # characters of text that are looked at

What = Literal["acknowledges", "refused", "automatic", "stranger"]
"""`refused`: from a person of the plant, who gets an answer; the last two get none."""


@dataclass(frozen=True, slots=True)
class Reply:
    """The verdict on one mail. `why` in words for the log and for the answer, "" when it acknowledges."""

    what: What
    why: str = ""
    person: Person | None = None
    token: Token | None = None
    message_id: str = ""
    sender: str = ""  # as written, for the log


def read_reply(raw: bytes, persons: Sequence[Person], plant: str, key: bytes, now_ms: int) -> Reply:
    """Judge one mail as it came. `plant`: its name, as tokens carry it."""
    if len(raw) > LARGEST:
        return Reply("stranger", f"it has {len(raw)} bytes and is not read")
    try:
        return _read(raw, persons, plant, key, now_ms)
    except Exception as e:  # the library raises many things over what strangers send
        return Reply("stranger", f"it cannot be read as a mail ({type(e).__name__})")


def _read(raw: bytes, persons: Sequence[Person], plant: str, key: bytes, now_ms: int) -> Reply:
    message = message_from_bytes(raw, policy=policy.compat32)
    head = _headers(message)
    own_id, sender = head.get("message-id", "").strip()[:300], _one_line(head.get("from", ""))
    if why := automatic(message):
        return Reply("automatic", why, None, None, own_id, sender)
    addresses = [a.casefold() for _, a in getaddresses([head.get("from", "")]) if "@" in a]
    person = next((p for p in persons if [p.mail.casefold()] == addresses), None)
    if person is None:
        return Reply("stranger", "its sender is no person of the plant file", None, None, own_id, sender)

    def no(why: str) -> Reply:
        return Reply("refused", why, person, None, own_id, sender)

    plain, page = _texts(message)
    token = find(plain) or find(page_text(page, quotes=True)) or find(page)
    if token is None:
        return no("it carries no token: the line that begins with Token: has to stay in the reply")
    if not holds(token, plant, person.mail, key):
        return no(f"its token was not written by this log to {person.mail}")
    if expired(token, now_ms):
        return no("its token is older than 30 days")
    word = first_word(own_text(plain) if plain.strip() else own_text(page_text(page, quotes=False)))
    if word not in WORDS:
        found = f'found "{word[:20]}"' if word else "found nothing above the quotation"
        return no(f'its first own word wants to be "{WORD}"; {found}')
    return Reply("acknowledges", "", person, token, own_id, sender)


def _headers(message: Message) -> dict[str, str]:
    out: dict[str, str] = {}
    for name, value in message.items():
        lower = name.lower()
        out[lower] = f"{out[lower]}, {value}" if lower == "from" and lower in out else str(value)
    return out


def automatic(message: Message) -> str:
    """Why no person wrote it, "" when one may have."""
    head = _headers(message)
    kind = message.get_content_type()
    auto = head.get("auto-submitted", "no").split(";")[0].strip().lower()
    if auto != "no":
        return f"an automatic mail (Auto-Submitted: {_one_line(auto)[:30]})"
    if kind in ("multipart/report", "message/delivery-status", "message/disposition-notification"):
        return "a report of delivery or reading"
    if head.get("return-path", "").strip() == "<>":
        return "a bounce (it has no return path)"
    if head.get("precedence", "").strip().lower() in ("bulk", "junk", "list", "auto_reply"):
        return f"a mail with Precedence: {_one_line(head['precedence'])[:20]}"
    for name in ("list-id", "list-unsubscribe", "x-autoreply", "x-autorespond", "x-auto-reply", "feedback-id"):
        if name in head:
            return f"an automatic mail or one of a list ({name.title()})"
    user = head.get("from", "").lower()
    if re.search(r"\b(mailer-daemon|postmaster|no-?reply|do-?not-?reply)@", user):
        return "a mail of a mail system"
    return ""


def _texts(message: Message) -> tuple[str, str]:
    """The plain text and the HTML, as far as either is there; attachments are not looked at."""
    plain: list[str] = []
    page: list[str] = []
    for part in message.walk():
        if part.is_multipart() or part.get_content_disposition() == "attachment":
            continue
        kind = part.get_content_type()
        if kind in ("text/plain", "text/html"):
            (plain if kind == "text/plain" else page).append(_decoded(part))
    return "\n".join(plain)[:DEEPEST], "\n".join(page)[:DEEPEST]


def _decoded(part: Message) -> str:
    body = part.get_payload(decode=True)
    if not isinstance(body, bytes):
        return ""
    try:
        return body.decode(part.get_content_charset("utf-8"), "replace")
    except (LookupError, UnicodeError):
        return body.decode("utf-8", "replace")


_QUOTE_CLASS: Final = re.compile(r"(?:^|[\s_-])(?:quote|quoted|extra|prefix|OutlookMessageHeader)", re.IGNORECASE)
_QUOTE_ID: Final = re.compile(r"(?:RplyFwdMsg|appendonsend|mail-editor-reference|original)", re.IGNORECASE)
_BREAKS: Final = frozenset({"br", "p", "div", "tr", "li", "h1", "h2", "h3", "blockquote", "table", "hr"})
_VOID: Final = frozenset({"br", "hr", "img", "meta", "link", "input", "area", "base", "col", "wbr"})
_SILENT: Final = frozenset({"style", "script", "head", "title"})


class _Page(HTMLParser):
    def __init__(self, quotes: bool) -> None:
        super().__init__(convert_charrefs=True)
        self._quotes, self._skip, self._silent = quotes, 0, 0
        self.out: list[str] = []
        self.ended = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _BREAKS:
            self.out.append("\n")
        if tag in _VOID:
            return
        named = {k: v or "" for k, v in attrs}
        called = _QUOTE_CLASS.search(named.get("class", "")) or _QUOTE_ID.search(named.get("id", ""))
        if not self._quotes and (tag == "blockquote" or called) and not self._skip:
            self.ended = True  # what stands below a quotation is no answer to be looked for
        if self.ended and not self._quotes:
            self._skip = 1
        if tag in _SILENT:
            self._silent += 1

    def handle_endtag(self, tag: str) -> None:
        if tag in _SILENT and self._silent:
            self._silent -= 1
        if tag in _BREAKS:
            self.out.append("\n")

    def handle_data(self, data: str) -> None:
        if not self._skip and not self._silent:
            self.out.append(data)


def page_text(page: str, *, quotes: bool) -> str:
    """The text of an HTML mail, with what it quotes or up to where it begins to."""
    parser = _Page(quotes)
    parser.feed(page)
    parser.close()
    return "".join(parser.out)


_WROTE: Final = re.compile(
    r"^\s*(?:on|am|le|el|il|op|em|den|på|dne|w dniu)\b.{0,300}"
    r"(?:wrote|schrieb|a écrit|escribió|ha scritto|schreef|escreveu|skrev|napsal\(a\)|napisał\(a\))\b.{0,120}:?\s*$",
    re.IGNORECASE | re.DOTALL,
)
_CUT: Final = re.compile(
    r"^\s*(?:>|&gt;|-{2,}\s*\S.{0,60}-{2,}\s*$|_{10,}\s*$|--\s*$|(?:from|von|de|da|van|från|fra|od|expéditeur)\s*:\s*\S)",
    re.IGNORECASE,
)


def own_text(text: str) -> str:
    """What the writer wrote above the first quotation, header block, separator or signature."""
    lines = text.replace("\r\n", "\n").replace("\u00a0", " ").split("\n")
    own: list[str] = []
    for k, line in enumerate(lines[:2000]):
        pair = " ".join(lines[k : k + 3])
        if _CUT.match(line) or _WROTE.match(line) or (_WROTE.match(pair) and re.match(r"^\s*\S+\s", line)):
            break
        own.append(line)
    return "\n".join(own)


def first_word(text: str) -> str:
    """The first word, in small letters, without the marks around it."""
    m = re.match(r"[\s\u200b\ufeff\"'“”«»*_(\[]*([^\W\d_]+)", text)
    return m[1].casefold() if m else ""


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:200]
