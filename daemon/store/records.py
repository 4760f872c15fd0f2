"""What the store takes and gives back, as frozen records.

Pure. May import: daemon.core. Times are ms UTC since 1970 unless they say elapsed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from daemon.core.outcome import Derived, Entry, MailRow, NoticeRow, Standing
from daemon.core.scan import Act, Group

__all__ = [
    "ClockCorrection",
    "ClockSegment",
    "Dealt",
    "Last",
    "MailRow",
    "NoticeRow",
    "PlantVersion",
    "QueuedMail",
    "Snapshot",
    "StoreEvent",
    "StoredAct",
    "StoredGroup",
    "StoredMail",
    "StoredNotice",
    "ToDeal",
    "WaitingNotice",
]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The engine's state after a group, as bytes the store does not look into."""

    format: int
    plant: int  # plant version
    group: int
    body: bytes


@dataclass(frozen=True, slots=True)
class QueuedMail:
    """A mail that waits."""

    id: int
    key: str
    recipient: str
    at_ms: int
    body: str
    tries: int


@dataclass(frozen=True, slots=True)
class WaitingNotice:
    """A notice of which nobody has decided yet whom it goes to."""

    id: int
    key: str
    at_ms: int
    body: str
    direct: bool


@dataclass(frozen=True, slots=True)
class StoredNotice:
    """A notice with what became of it: `dealt_ms` when its mails were written, None while nobody has decided."""

    id: int
    key: str
    at_ms: int
    body: str
    direct: bool
    dealt_ms: int | None


@dataclass(frozen=True, slots=True)
class ToDeal:
    """All that deciding who is told rests on, as stored: one moment of the file."""

    notices: tuple[WaitingNotice, ...]
    waiting: tuple[QueuedMail, ...]  # mails not yet taken
    standing: tuple[Standing, ...]
    kept: Mapping[str, str]  # what the one who decides remembers, JSON by name


@dataclass(frozen=True, slots=True)
class Dealt:
    """What was decided: stored whole or not at all."""

    mails: tuple[MailRow, ...] = ()
    notices: tuple[int, ...] = ()  # ids of those decided
    withdrawn: tuple[int, ...] = ()  # ids of mails that wait and are not to go
    kept: Mapping[str, str] = field(default_factory=dict)  # changed only; "" forgets


@dataclass(frozen=True, slots=True)
class StoredMail:
    """A mail with what became of it. `state`: waiting, sent or refused."""

    id: int
    key: str
    recipient: str
    at_ms: int
    body: str
    state: str
    tries: int
    next_ms: int
    done_ms: int | None
    note: str


@dataclass(frozen=True, slots=True)
class Last:
    """The newest stored group."""

    number: int
    at_ms: int
    elapsed_ms: int
    segment: int
    plant: int


@dataclass(frozen=True, slots=True)
class StoredGroup:
    """A group as it entered the engine, acts included, with what came out: verdicts, derived values, journal."""

    group: Group
    verdicts: tuple[tuple[int, ...], ...]
    derived: tuple[Derived, ...]
    journal: tuple[Entry, ...]
    moved_ms: int = 0  # by how much its dates were corrected after they were written


@dataclass(frozen=True, slots=True)
class StoredAct:
    """An act, the group it was applied in and its result ("" when done); both None while it waits."""

    act: Act
    group: int | None
    result: str | None


@dataclass(frozen=True, slots=True)
class PlantVersion:
    """A plant file in full and the instant from which it held."""

    version: int
    from_ms: int
    sha256: str
    text: str


@dataclass(frozen=True, slots=True)
class ClockSegment:
    """From `elapsed_ms` on, elapsed time and UTC go together as here, until the next segment."""

    segment: int
    run: str
    elapsed_ms: int
    at_ms: int
    why: str
    first_group: int | None
    doubt: str = ""  # why its dates are doubted, "" when they are not


@dataclass(frozen=True, slots=True)
class ClockCorrection:
    """Every date written under a segment is `shift_ms` off; the newest correction of a segment holds."""

    segment: int
    shift_ms: int
    made_ms: int
    why: str
    person: str


@dataclass(frozen=True, slots=True)
class StoreEvent:
    """Something that happened to the store itself."""

    at_ms: int
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far a copy has come: the last poll taken by the server, and how many clock corrections were known then."""

    group: int = 0
    corrections: int = 0
