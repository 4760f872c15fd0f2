"""What leaves the engine for one group: records to store, and nothing done yet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the alarm journal. `value`, `limit` in the unit named by `unit` (base units)."""

    at_ms: int
    occurrence: int  # numbers each raise; 0 for records that are no alarm
    target: str  # boiler, module, meter or "logger"
    kind: str
    name: str  # tells several of one kind on one target apart, else ""
    event: str  # raised, returned, acknowledged, shelved, unshelved, suppressed, unsuppressed, out_of_service,
    # in_service, released, removed, or note
    state: str  # state after it, words of IEC 62682
    priority: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    evidence: str = ""
    by: str = ""
    # of the reading it rests on: good, uncertain, bad; "" for records that are no alarm, and in logs before it was kept
    quality: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Blow:
    """One surface blowdown: from the first opening to the last closing joined to it."""

    boiler: str
    start_ms: int
    end_ms: int
    openings: int
    open_ms: int
    sampled: float | None  # representative conductivity, uS/cm, at the start of the blow
    ended_at: float | None  # and at its end
    complete: bool  # False: an end was not seen (gap, restart, boiler off)
    plus_minus_ms: int  # one poll interval
    kg: float | None = None  # what was blown down, None where it cannot be told
    kg_by: str = ""  # meter, opening (the valve's stated flow and open time) or balance (the fall of conductivity)
    by_hand: bool = False  # told by a person: a bypass or bottom valve, of which nothing is wired
    shared: bool = False  # another boiler blew into the same line meanwhile


@dataclass(frozen=True, slots=True)
class Notice:
    """Something people must be told by mail. One entry of the journal, with what a mail needs beside it."""

    occurrence: int
    event: str  # raised, returned, acknowledged, shelved, unshelved, suppressed, unsuppressed, out_of_service,
    # in_service, removed, or note
    target: str
    kind: str
    name: str
    priority: str
    at_ms: int
    since_ms: int  # when this occurrence was raised
    value: float | None
    limit: float | None
    unit: str
    evidence: str
    quality: str  # of the reading it rests on
    state: str
    held_back: tuple[str, ...] = ()  # alarms this one silences by design, in words
    key: str = ""  # same key, same mail: makes a second row of it impossible
    by: str = ""  # who acknowledged, shelved ...; in `returned` who had acknowledged, "" when nobody did


@dataclass(frozen=True, slots=True)
class MailRow:
    """One mail to one person, waiting to go. `key` is unique in the store: a second row of the same mail cannot be."""

    key: str
    recipient: str  # the bare address
    at_ms: int  # plant time of the notice, ms UTC
    body: str  # JSON of the notice


@dataclass(frozen=True, slots=True)
class NoticeRow:
    """A notice as it is stored, in one transaction with its alarm. `key` is unique in the store.

    `direct`: its mails went from memory already, because nothing could be stored.
    """

    key: str
    at_ms: int
    body: str  # JSON of the notice
    direct: bool = False


class Derived(NamedTuple):
    """A new value of a derived tag (B1.conductivity, makeup.total): the value in base units and its reason.

    A tuple, because several are made for every group.
    """

    tag: int  # index in the plant's list of derived tags
    value: float
    reason: int


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm as it stands, written on change to a small table of its own; `state` normal removes it."""

    target: str
    kind: str
    name: str
    state: str
    occurrence: int
    priority: str
    since_ms: int
    value: float | None
    limit: float | None
    unit: str
    evidence: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class Calibration:
    """A record of calibration: kept for ever, never changed; what is undone is undone by another one.

    `body` is plain JSON: what was compared with what, the figures and where they come from.
    """

    tag: str
    from_ms: int  # UTC ms: it applies from here on
    kind: str
    body: Mapping[str, Any]
    act: int  # who and when


@dataclass(frozen=True, slots=True)
class ManualReading:
    """What a person read or measured: a dial, a test of the water. `value` in `unit`, as entered."""

    target: str
    what: str
    taken_ms: int
    value: float
    unit: str
    note: str
    act: int  # who and when


@dataclass(frozen=True, slots=True)
class GroupOutcome:
    """All that one group leads to. Tuples are empty far more often than not.

    `verdicts`: for each scan of the group the reason number of each channel.
    """

    number: int
    verdicts: tuple[tuple[int, ...], ...]
    derived: tuple[Derived, ...] = ()
    journal: tuple[Entry, ...] = ()
    standing: tuple[Standing, ...] = ()
    blows: tuple[Blow, ...] = ()
    notices: tuple[Notice, ...] = ()
    acts: tuple[tuple[int, str], ...] = ()  # act number and what became of it, "" when done
    calibrations: tuple[Calibration, ...] = ()
    manual: tuple[ManualReading, ...] = ()
