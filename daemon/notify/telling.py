"""What one mail tells one person: the contract between who is told, how it is written, and how replies are known.

Pure data. May import: daemon.core.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from daemon.core.outcome import Notice

Why = Literal["news", "reminder", "escalation", "daily", "sign of life", "test", "answer"]
"""news: something changed; reminder, escalation: it still stands unconfirmed; answer: to a reply that came by mail."""


@dataclass(frozen=True, slots=True)
class Told:
    """A person who was told, or will be, and when (ms UTC)."""

    name: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class BoilerDay:
    """A boiler's row of the daily mail's table. None: not known, and shown as such."""

    name: str
    conductivity: float | None = None  # the last representative one, uS/cm
    limit: float | None = None  # uS/cm
    cycles: float | None = None
    blows: int | None = None
    blowing_s: float | None = None  # open time of the valve, s
    steaming_s: float | None = None
    standing: int = 0  # alarms that stand


@dataclass(frozen=True, slots=True)
class Daily:
    """What the daily mail tells, in figures and in finished lines."""

    from_ms: int
    to_ms: int
    boilers: tuple[BoilerDay, ...] = ()
    standing: tuple[str, ...] = ()  # alarms that stand, one a line: "1042 B1: conductivity high, since ..."
    over: tuple[str, ...] = ()  # what was raised and is over
    figures: tuple[tuple[str, str], ...] = ()  # ("Makeup", "12,300 gal, usual 11,900 gal")
    due: tuple[str, ...] = ()  # tests, calibrations, tanks
    head: str = ""  # of the chain of records


@dataclass(frozen=True, slots=True)
class Telling:
    """One mail to one person. `notices` holds one notice, or several that go in one mail instead of a flood.

    The token stands in the mail as a line of its own, `TOKEN_LINE` with the token behind it; where replies come to an
    address that carries it, that is `reply_to`. The Message-ID follows from plant, address, `why`, `nth`, the notices,
    `at_ms` and `text` alone: the same Telling always makes the same mail.
    """

    why: Why
    name: str  # of the person
    address: str
    notices: tuple[Notice, ...]
    nth: int = 1  # how many times this person has been told of it, this mail included
    told: tuple[Told, ...] = ()  # who else was told already
    next_told: Told | None = None  # who will be told next if nobody acknowledges, and when
    token: str = ""  # goes into the mail so that a reply can acknowledge; "" where no mailbox is read
    short: bool = False  # the plain copy of less than 160 characters for a text-message address
    text: str = ""  # what is written without a notice, paragraphs apart by empty lines: a test, an answer, a gap
    at_ms: int = 0  # plant time it was decided at, ms UTC; tells mails without a notice apart
    title: str = ""  # for the subject of a mail without a notice, "" for one that goes with `why`
    reply_to: str = ""  # where replies go, "" for the sender
    answers: str = ""  # Message-ID of the mail that this one answers, with its < and >
    daily: Daily | None = None
    remarks: tuple[str, ...] = ()  # sentences beside the notices: that nobody is on duty by the rota


TOKEN_LINE: Final = "Token: "
