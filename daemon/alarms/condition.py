"""What every condition shares: the alarm's cell, on-delay, off-delay and the shape of a condition.

A condition judges the senses of the plant: true, false, or None when nothing can be said (a bad reading never clears
an alarm, and never starts one by itself). Pure. May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from daemon.core.cells import Cell, cell
from daemon.core.say import System
from daemon.measure.senses import Senses


@cell
class AlarmCell(Cell):
    """One alarm. `state` holds the words of `table.State`; times elapsed ms unless they end in `_at` (UTC ms)."""

    state: str = "normal"
    active: bool = False  # the condition, delays applied
    on_ms: int = -1  # since when the raw condition is true, -1 while it is not
    off_ms: int = -1
    occurrence: int = 0
    raised_at: int = 0
    raised_ms: int = -1
    value: float | None = None
    limit: float | None = None
    evidence: str = ""
    by: str = ""
    held: bool = False  # was no quiet alarm when it was suppressed, so its release is told
    stood: bool = False  # and its condition was there: it is one of those the interlock silences
    told: bool = False  # its raise went out by mail
    folded: int = 0  # the occurrence of the alarm it follows from, and of whose mail it is a part; 0: none
    memo: float | None = None  # what the condition remembers, each in its own way
    memo_ms: int = -1
    memo_n: int = 0
    inside_ms: int = -1  # since when readings of opening `inside_n` are back inside their deadband
    inside_n: int = 0


class Asked(Enum):
    """When a condition is asked, beside every group in which something happened (`Senses.event`).

    A condition says its own by a class attribute `asked`; one that says nothing is asked in every group. In between a
    condition must give the same answer as before, or None: nothing it looks at has changed.
    """

    EVERY_GROUP = "every group"
    EVENTS = "events"  # it looks at contacts, reasons, states, facts and acts alone; a delay that runs is followed
    MINUTES = "minutes"  # it judges nothing but in the first group of a minute (`Senses.minute`)


class Condition(Protocol):
    """One thing that may be wrong with one target; see `Asked`."""

    def judge(self, s: Senses, c: AlarmCell) -> bool | None:
        """True, false, or None for no judgement now. Sets `c.value` and `c.limit`; may use the memo fields."""
        ...

    def evidence(self, s: Senses, c: AlarmCell, system: System) -> str:
        """One sentence with the numbers the judgement rests on, in the plant's units."""
        ...

    def reading_reason(self, s: Senses) -> int:
        """The Reason of the reading it rests on, 0 when good or none."""
        ...


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm of a plant: identity (target, kind, name), condition and figures. `boiler` is -1 for none."""

    target: str
    kind: str
    name: str
    condition: Condition
    on_delay_ms: int
    off_delay_ms: int
    priority: str
    unit: str
    boiler: int
    suppressed_when_off: bool
    never_hidden: bool
    mails: bool
    latching: bool = False  # its record is held after its condition is gone, until a person lets go of it
    shelving: bool = True  # the plant lets people put it aside
    mails_after_ms: int = 0  # told at once in the journal, by mail only when it stands longer than this

    @property
    def asked(self) -> Asked:
        """When its condition is asked."""
        asked: Asked = getattr(self.condition, "asked", Asked.EVERY_GROUP)
        return asked

    @property
    def identity(self) -> tuple[str, str, str]:
        """What it stays known by across changes of the plant file; it never holds a limit."""
        return self.target, self.kind, self.name


def delayed(c: AlarmCell, judged: bool | None, on_delay_ms: int, off_delay_ms: int, t: int) -> bool | None:
    """Apply the delays: True when the condition has just become true, False when just false, None otherwise."""
    if judged is None:
        return None
    if judged:
        c.off_ms = -1
        if c.on_ms < 0:
            c.on_ms = t
        if not c.active and t - c.on_ms >= on_delay_ms:
            c.active = True
            return True
        return None
    c.on_ms = -1
    if not c.active:
        return None
    if c.off_ms < 0:
        c.off_ms = t
    if t - c.off_ms >= off_delay_ms:
        c.active, c.off_ms = False, -1
        return False
    return None


def running(c: AlarmCell) -> bool:
    """Whether a delay of it runs."""
    return (c.on_ms >= 0 and not c.active) or c.off_ms >= 0


def forget(c: AlarmCell) -> None:
    """Back to not judged yet: what a suppressed condition knew does not count afterwards."""
    c.active = False
    c.on_ms = c.off_ms = -1
    c.memo, c.memo_ms, c.memo_n = None, -1, 0
    c.inside_ms, c.inside_n = -1, 0
