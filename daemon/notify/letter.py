"""What a mail says, before it is plain text or HTML: a notice and its plant to a `Letter`.

Pure. May import: config, daemon.core, daemon.alarms.kinds, daemon.notify.wording.
Words of safety: nothing here says that something is safe or can wait, or tells anybody to operate anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from config.model import Plant
from daemon.alarms.kinds import KINDS, Kind
from daemon.core.outcome import Notice
from daemon.notify.wording import clean, figure, lasting, local, where, written_unit, zone_of

LATE_S: Final = 600.0
"""Beyond this many plant seconds between notice and sending a mail says that it is late."""

_DONE: Final = {
    "returned": "returned to normal",
    "acknowledged": "acknowledged",
    "shelved": "put aside",
    "unshelved": "no longer put aside",
    "suppressed": "held back, the boiler is off",
    "unsuppressed": "no longer held back",
    "out_of_service": "out of service",
    "in_service": "back in service",
    "removed": "removed from the plant file",
    "note": "note",
}
_MEANS: Final = {
    "returned": "The condition is gone. What caused it may not be.",
    "acknowledged": "Somebody has seen this alarm and says so. It goes on standing until its condition is gone.",
    "shelved": "Somebody has put this alarm aside for a time. It is watched on, and shown again when the time is over.",
    "unshelved": "The time is over or somebody has ended it: from here on this alarm is shown and mailed again.",
    "suppressed": (
        "The boiler is off, so this alarm is held back by design. What raised it is not judged meanwhile and may still "
        "be there; it is judged anew once the boiler steams again."
    ),
    "unsuppressed": "The state of the plant that held this alarm back is over: it is judged afresh.",
    "out_of_service": "Somebody has taken this alarm out of service. Nobody is told by it until it is back.",
    "in_service": "This alarm is back in service and judged afresh.",
    "removed": "The plant file in force no longer has this alarm: it is not watched any more under this name.",
    "note": "Somebody has written a note to this alarm.",
}
_STATES: Final = {
    "unacknowledged": "nobody has confirmed it yet",
    "acknowledged": "somebody has confirmed it, the condition still stands",
    "returned to normal unacknowledged": "cleared, nobody has confirmed",
    "latched unacknowledged": "cleared but latched, nobody has confirmed",
    "latched acknowledged": "cleared but latched, somebody has confirmed",
    "shelved": "put aside for a time",
    "suppressed by design": "held back because the boiler is off",
    "out of service": "out of service",
}
FOOTER: Final = (
    "waterside watches and tells, nothing more. It is no safety device, and a mail can be late or lost: the gauges at "
    "the boiler and the site procedure come first."
)


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with a paragraph, or with a list of lines."""

    heading: str
    text: str = ""
    lines: tuple[str, ...] = ()
    mark: str = ""  # "caution", "code" or ""


@dataclass(frozen=True, slots=True)
class Letter:
    """The words of one mail, every string a single clean line."""

    subject: str
    banner: str  # loud line above all else, "" where there is none
    plant: str
    place: str
    headline: str
    tone: str  # priority, or "over" for what has ended
    lead: str  # one sentence, what a telephone shows as preview
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    footer: str


def letter(notice: Notice, plant: Plant, *, now_ms: int, demo_speed: float | None = None, host: str = "") -> Letter:
    """The words for one notice. `now_ms`: plant time of sending, ms UTC; `demo_speed`: set for the demo's mails only.

    Never raises: a kind, target or event this version does not know still makes a mail.
    """
    kind = KINDS.get(notice.kind)
    title = clean(kind.title if kind else notice.kind.replace("_", " ")).strip() or "Alarm"
    short, place = where(notice, plant)
    name = f" ({clean(notice.name)})" if clean(notice.name) else ""
    banner = f"DEMO at {demo_speed:g}x speed" if demo_speed is not None else ""
    raised = notice.event == "raised"
    values = _Values.of(notice, plant)
    done = _DONE.get(notice.event, clean(notice.event).replace("_", " "))
    tail = values.subject if raised else f", {done}{_by(notice) if notice.event == 'acknowledged' else ''}"
    if notice.event == "returned":
        tail += f" after {lasting((notice.at_ms - notice.since_ms) / 1000)}"
    plant_name = clean(plant.plant.name) or "plant"
    number = f" [{notice.occurrence}]" if notice.occurrence else ""
    subject = f"{plant_name} {short}: {_lower(title)}{name}{tail}{number}"
    says = (kind.means if kind else "This version of the service has no description of this alarm.") if raised else ""
    return Letter(
        subject=(f"{banner}: " if banner else "") + subject,
        banner=f"{banner}. An invented boiler house; its clock runs {demo_speed:g} times too fast." if banner else "",
        plant=plant_name,
        place=place,
        headline=f"{title[:1].upper()}{title[1:]}{name}" + ("" if raised else f": {done}"),
        tone=(notice.priority if raised else "over"),
        lead=says or _MEANS.get(notice.event, "Something was recorded about this alarm."),
        facts=_facts(notice, plant, values, kind, now_ms),
        sections=_raised(notice, kind, host) if raised else _after(notice, kind, host),
        footer=FOOTER,
    )


def _lower(title: str) -> str:
    return title if title.isupper() else title[:1].lower() + title[1:]


def _by(notice: Notice) -> str:
    return f" by {clean(notice.by)}" if clean(notice.by) else ""


@dataclass(frozen=True, slots=True)
class _Values:
    value: str
    limit: str
    subject: str

    @classmethod
    def of(cls, notice: Notice, plant: Plant) -> _Values:
        """Value and limit in the plant's units, and both for the subject: " 3,420 umho/cm (limit 3,300)"."""
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
        return cls(value, limit, subject)


def _facts(
    notice: Notice, plant: Plant, values: _Values, kind: Kind | None, now_ms: int
) -> tuple[tuple[str, str], ...]:
    zone = zone_of(plant)
    raised, returned = notice.event == "raised", notice.event == "returned"
    facts: list[tuple[str, str]] = []
    if values.value:
        facts.append(("Value", values.value))
    if values.limit:
        facts.append(("Limit", values.limit))
    if raised and notice.quality and notice.quality != "good":
        facts.append(("Reading is", clean(notice.quality)))
    facts.append(("Since", local(notice.since_ms, zone)))
    if returned:
        facts.append(("Until", local(notice.at_ms, zone)))
        facts.append(("Lasted", lasting((notice.at_ms - notice.since_ms) / 1000)))
        facts.append(("Confirmed by", clean(notice.by) or "nobody yet"))
    elif not raised:
        facts.append(("At", local(notice.at_ms, zone)))
        if clean(notice.by):
            facts.append(("By", clean(notice.by)))
    if raised:
        facts.append(("Priority", clean(notice.priority)))
        facts.append(("To respond", _respond(notice, plant, kind)))
        told = ", ".join(dict.fromkeys(clean(p.name) for p in plant.persons if clean(p.name)))
        if told:
            facts.append(("Mailed to", told))
    elif not returned and notice.state in _STATES:
        facts.append(("State", f"{notice.state}: {_STATES[notice.state]}"))
    if notice.occurrence:
        facts.append(("Number", str(notice.occurrence)))
    if (late := (now_ms - notice.at_ms) / 1000) > LATE_S:
        facts.append(("This mail is late", f"it could not be sent for {lasting(late)}; look at what stands now"))
    return tuple(facts)


def _respond(notice: Notice, plant: Plant, kind: Kind | None) -> str:
    if notice.priority == "highest":  # a figure would read as time that is left
        return "at once, by site procedure"
    own = plant.alarms.get(notice.kind)
    if own is not None and own.respond_within is not None:
        return f"within {lasting(own.respond_within)}, says the plant file"
    return f"within {lasting(kind.respond_s if kind else 3600.0)}, a starting value until the plant gives its own"


def _evidence(notice: Notice) -> tuple[Section, ...]:
    heading = "What it rests on" if notice.event == "raised" else "What it was raised on"  # the raise's own evidence
    return (Section(heading, clean(notice.evidence)),) if clean(notice.evidence) else ()


def _acknowledge(notice: Notice, host: str) -> Section:
    at = f"On the plant PC ({clean(host)})" if clean(host) else "On the plant PC"
    return Section(
        "How to acknowledge",
        f"{at}, in a terminal. It tells the others that someone has it in hand; it changes nothing at the boiler.",
        (f"waterside ack {notice.occurrence} --by NAME",),
        "code",
    )


def _raised(notice: Notice, kind: Kind | None, host: str) -> tuple[Section, ...]:
    out: list[Section] = []
    if kind:
        caution = Section("Caution", kind.caution, mark="caution")
        looks = Section("Look at first", lines=kind.first_checks)
        out.append(Section("What gets worse", kind.consequence))
        # where water is concerned nobody should look before having read what kills
        out.extend((caution, looks) if kind.never_hidden else (looks, caution))
    else:
        out.append(Section("Caution", "Local codes and licensed operators decide.", mark="caution"))
    out.extend(_evidence(notice))
    if kind:
        out.append(Section("Likely causes", lines=kind.causes))
    if held := tuple(filter(None, map(clean, notice.held_back))):
        out.append(Section("Held back by design while this stands", lines=held))
    if notice.occurrence:
        out.append(_acknowledge(notice, host))
    out.append(Section("What happens next", _next(notice, kind)))
    return tuple(out)


def _next(notice: Notice, kind: Kind | None) -> str:
    if notice.kind == "logger_gap":  # an event, over as soon as it is told
        return "This is told once. After the next gap a new mail comes with a new number."
    off = ", or is held back because the boiler is off" if kind and kind.suppressed_when_off else ""
    return f"When it returns to normal{off}, a mail says so. If it is raised again after that, a new mail comes."


def _after(notice: Notice, kind: Kind | None, host: str) -> tuple[Section, ...]:
    out = list(_evidence(notice))
    if notice.event == "returned":
        if notice.occurrence and not clean(notice.by) and "unacknowledged" in notice.state:
            out.append(_acknowledge(notice, host))
        out.append(Section("What happens next", "If it is raised again, a new mail comes with a new number."))
    if kind and kind.never_hidden:
        out.append(Section("Caution", kind.caution, mark="caution"))
    return tuple(out)
