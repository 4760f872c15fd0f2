"""What one notice is called: its title, place, figures and what became of it, for subjects and lines of lists.

Pure. May import: config, daemon.core, daemon.alarms.kinds, daemon.notify.wording.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from config.model import Plant
from daemon.alarms.kinds import KINDS, Kind
from daemon.core.outcome import Notice
from daemon.notify.wording import clean, figure, lasting, where, written_unit

_DONE: Final = {
    "returned": "returned to normal",
    "acknowledged": "acknowledged",
    "shelved": "put aside",
    "unshelved": "no longer put aside",
    "released": "record let go of",
    "suppressed": "held back, the boiler is off",
    "unsuppressed": "no longer held back",
    "out_of_service": "out of service",
    "in_service": "back in service",
    "removed": "removed from the plant file",
    "note": "note",
}


@dataclass(frozen=True, slots=True)
class Heading:
    """A notice in the words of this plant."""

    kind: Kind | None
    raised: bool
    title: str  # "Conductivity high", with its name in brackets where several are of one kind
    short: str  # "B1"
    place: str  # "boiler B1"
    value: str  # "3,420 umho/cm", "at least 5,000 umho/cm", ""
    limit: str
    against: str  # for a subject: " 3,420 umho/cm (limit 3,300)", ""
    done: str  # what became of it: "returned to normal", "" for a raise
    ending: str  # the same with by whom or after how long
    number: str  # " [1042]", ""

    @property
    def lower(self) -> str:
        """The title inside a sentence; capitals that are meant stay."""
        first = self.title.split(" (")[0]
        return self.title if first.isupper() else self.title[:1].lower() + self.title[1:]

    @property
    def stem(self) -> str:
        """ "B1: conductivity high": the same in every mail of one alarm."""
        return f"{self.short}: {self.lower}"


def heading(notice: Notice, plant: Plant) -> Heading:
    """Never raises: a kind, target or event this version does not know has a heading too."""
    kind = KINDS.get(notice.kind)
    title = clean(kind.title if kind else notice.kind.replace("_", " ")).strip() or "Alarm"
    name = f" ({clean(notice.name)})" if clean(notice.name) else ""
    short, place = where(notice, plant)
    value, limit, against = _values(notice, plant)
    raised = notice.event == "raised"
    done = "" if raised else _DONE.get(notice.event, clean(notice.event).replace("_", " "))
    ending = done
    if notice.event == "acknowledged" and clean(notice.by):
        ending += f" by {clean(notice.by)}"
    if notice.event == "returned":
        ending += f" after {lasting((notice.at_ms - notice.since_ms) / 1000)}"
    return Heading(
        kind=kind,
        raised=raised,
        title=f"{title[:1].upper()}{title[1:]}{name}",
        short=short,
        place=place,
        value=value,
        limit=limit,
        against=against,
        done=done,
        ending=ending,
        number=f" [{notice.occurrence}]" if notice.occurrence else "",
    )


def _values(notice: Notice, plant: Plant) -> tuple[str, str, str]:
    """Value and limit in the plant's units, and both for a subject: " 3,420 umho/cm (limit 3,300)"."""
    written = written_unit(notice, plant)
    least = "at least " if "at least" in notice.quality or "at least" in notice.evidence else ""
    value = limit = subject = ""
    if notice.value is not None:
        number, unit = figure(notice.value, notice.unit, plant, written)
        value = f"{least}{number} {unit}".rstrip()
        subject = f" {value}"
    if notice.limit is not None:
        number, unit = figure(notice.limit, notice.unit, plant, written)
        limit = f"{number} {unit}".rstrip()
        subject += f" (limit {number if notice.value is not None else limit})"
    return value, limit, subject
