"""The token in a mail by which a reply acknowledges: who may, what, and since when. Pure but for the key's file.

    1042.1043-9XK2P-4QZK7R2MWV3TLB6N
    alarms    hours  HMAC-SHA256 of plant, address, alarms and hours, 100 bits

It names its alarms and the hour it was written in, and cannot be made without the key, which lies in a file of its own
beside the store (mode 0600) and in no backup. From: lines are easily forged: a reply is believed for its token, which
only the reader of that mail has. May import: daemon.notify.telling.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from daemon.notify.telling import TOKEN_LINE, Telling

HOUR_MS: Final = 3_600_000
VALID_H: Final = 30 * 24
SIGNS: Final = 20  # of base32
KEY_BYTES: Final = 32
MOST: Final = 40  # alarms in one token
_DIGITS: Final = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_TOKEN: Final = re.compile(rf"(\d{{1,9}}(?:\.\d{{1,9}}){{0,{MOST - 1}}})-([0-9A-Z]{{1,6}})-([A-Z2-7]{{{SIGNS}}})")
# a quoted line may be broken anywhere, and gets a > in front of each part
_QUOTED: Final = re.compile(re.escape(TOKEN_LINE.strip()) + r"((?:[\s>\u00a0]|&gt;|[0-9A-Za-z.\-=]){10,600})")


@dataclass(frozen=True, slots=True)
class Token:
    """A token as it was found, not yet believed."""

    numbers: tuple[int, ...]
    hour: int  # since 1970
    signed: str

    @property
    def issued_ms(self) -> int:
        """The end of the hour in which its mail was written, ms UTC."""
        return (self.hour + 1) * HOUR_MS


def key_of(file: Path) -> bytes:
    """The key in a file, made at first use. ValueError for a file that holds none; OSError."""
    try:
        found = file.read_bytes()
    except FileNotFoundError:
        fresh = secrets.token_bytes(KEY_BYTES)
        handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as out:
            out.write(fresh)
            out.flush()
            os.fsync(out.fileno())
        return fresh
    if len(found) != KEY_BYTES:
        raise ValueError(f"{file} wants a key of {KEY_BYTES} bytes; found {len(found)}. Remove it: a new one is made.")
    return found


def token_of(telling: Telling, plant: str, key: bytes) -> str:
    """The token of a mail, "" where it names nothing to acknowledge."""
    numbers = [n.occurrence for n in telling.notices if n.occurrence and n.event in ("raised", "returned")]
    if not numbers or len(numbers) > MOST or telling.short:
        return ""
    at_ms = telling.at_ms or max(n.at_ms for n in telling.notices)
    hour = at_ms // HOUR_MS
    return f"{'.'.join(map(str, numbers))}-{_base36(hour)}-{_sign(key, plant, telling.address, numbers, hour)}"


def find(text: str) -> Token | None:
    """The first token behind the word that stands before it, put together again where a quotation broke it."""
    for m in _QUOTED.finditer(text):
        joined = re.sub(r"[\s>\u00a0]|&gt;|=(?=\s|$)", "", m[1]).upper()
        if t := _TOKEN.match(joined):
            return Token(tuple(map(int, t[1].split("."))), int(t[2], 36), t[3])
    return None


def holds(token: Token, plant: str, address: str, key: bytes) -> bool:
    """Whether a token was written by this log for this address."""
    wanted = _sign(key, plant, address, token.numbers, token.hour)
    return hmac.compare_digest(wanted, token.signed)


def expired(token: Token, now_ms: int) -> bool:
    """Whether it is older than a token may be."""
    return now_ms // HOUR_MS - token.hour > VALID_H


def _sign(key: bytes, plant: str, address: str, numbers: Sequence[int], hour: int) -> str:
    said = "\n".join((plant, address.casefold(), ".".join(map(str, numbers)), str(hour)))
    return base64.b32encode(hmac.new(key, said.encode(), hashlib.sha256).digest()).decode()[:SIGNS]


def _base36(number: int) -> str:
    out = ""
    while number:
        number, digit = divmod(number, 36)
        out = _DIGITS[digit] + out
    return out or "0"
