"""What one mail tells one person: the contract between who is told, how it is written, and how replies are known.

Pure data. May import: daemon.core.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from daemon.core.outcome import Notice

Why = Literal["news", "reminder", "escalation", "daily", "sign of life", "test", "answer"]
"""news: something changed; reminder, escalation: it still stands unconfirmed; answer: to a reply that came by mail."""


@dataclass(frozen=True, slots=True)
class Told:
    """A person who was told, or will be, and when (ms UTC)."""

    name: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class Telling:
    """One mail to one person. `notices` holds one notice, or several that go in one mail instead of a flood."""

    why: Why
    name: str  # of the person
    address: str
    notices: tuple[Notice, ...]
    nth: int = 1  # how many times this person has been told of it, this mail included
    told: tuple[Told, ...] = ()  # who else was told already
    next_told: Told | None = None  # who will be told next if nobody acknowledges, and when
    token: str = ""  # goes into the mail so that a reply can acknowledge; "" where no mailbox is read
    short: bool = False  # the plain copy of less than 160 characters for a text-message address
    text: str = ""  # what is written without a notice: the daily mail, a test, an answer
