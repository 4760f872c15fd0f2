"""The words of a mail about one alarm: raised, reminded of, handed on, acknowledged, returned, put aside.

Pure. May import: config, daemon.core, daemon.alarms.kinds, daemon.notify.
What decides at night comes first: where, what, how much against which limit, since when, how long there is, what to
look at. Then the picture, and all the rest below it.
"""

from __future__ import annotations

from typing import Final

from config.model import Plant
from daemon.alarms.kinds import Kind
from daemon.core.outcome import Notice
from daemon.notify.acknowledging import how_to_acknowledge
from daemon.notify.exhibit import Exhibit
from daemon.notify.heading import Heading, heading
from daemon.notify.letter import Facts, Letter, Section
from daemon.notify.telling import Telling
from daemon.notify.wording import clean, clock_time, lasting, local, zone_of

LATE_S: Final = 600.0
"""Beyond this many plant seconds between notice and sending a mail says that it is late."""

_MEANS: Final = {
    "returned": "The condition is gone. What caused it may not be.",
    "acknowledged": "Somebody has seen this alarm and says so. It goes on standing until its condition is gone.",
    "shelved": "Somebody has put this alarm aside for a time. It is watched on, and shown again when the time is over.",
    "released": "Somebody has let go of the record of an alarm that had cleared and was held for a look.",
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
    "latched unacknowledged": "cleared, held for a look, nobody has confirmed",
    "latched acknowledged": "cleared, held for a look, somebody has confirmed",
    "shelved": "put aside for a time",
    "suppressed by design": "held back because the boiler is off",
    "out of service": "out of service",
}


def single(telling: Telling, plant: Plant, *, now_ms: int, host: str = "", exhibit: Exhibit | None = None) -> Letter:
    """The letter of a telling with one notice."""
    notice = telling.notices[0]
    head = heading(notice, plant)
    plant_name = clean(plant.plant.name) or "plant"
    again = _again(telling, notice, now_ms) if head.raised else ""
    tail = head.against if head.raised else f", {head.ending}"
    if again:
        tail += f", {again}"
    return Letter(
        subject=f"{plant_name} {head.stem}{tail}{head.number}",
        plant=plant_name,
        place=head.place,
        headline=head.title + ("" if head.raised else f": {head.done}"),
        tone=notice.priority if head.raised else "over",
        figure=(head.value, head.limit),
        lead=_lead(telling, notice, head, now_ms),
        facts=_facts(telling, notice, head, plant, now_ms, exhibit),
        sections=_raised(telling, notice, head, plant, host, exhibit)
        if head.raised
        else _after(telling, notice, head, plant, host, exhibit),
        picture=exhibit,
    )


def _again(telling: Telling, notice: Notice, now_ms: int) -> str:
    stands = lasting((now_ms - notice.since_ms) / 1000)
    if telling.why == "escalation":
        return f"nobody has confirmed in {stands}"
    if telling.why == "reminder":
        return f"still unconfirmed after {stands}"
    return ""


def _lead(telling: Telling, notice: Notice, head: Heading, now_ms: int) -> str:
    if not head.raised:
        return _MEANS.get(notice.event, "Something was recorded about this alarm.")
    says = head.kind.means if head.kind else "This version of the service has no description of this alarm."
    stands = lasting((now_ms - notice.since_ms) / 1000)
    if telling.why == "escalation":
        told = ", ".join(dict.fromkeys(clean(t.name) for t in telling.told if clean(t.name)))
        whom = f" {told} was told." if told and "," not in told else f" {told} were told." if told else ""
        return f"Raised {stands} ago and nobody has confirmed it, so it comes to you.{whom} {says}"
    if telling.why == "reminder":
        nth = f" This is mail {telling.nth} about it to you." if telling.nth > 1 else ""
        return f"Raised {stands} ago and nobody has confirmed it yet.{nth} {says}"
    return says


def _facts(
    telling: Telling, notice: Notice, head: Heading, plant: Plant, now_ms: int, exhibit: Exhibit | None
) -> Facts:
    zone = zone_of(plant)
    returned = notice.event == "returned"
    facts: list[tuple[str, str]] = []
    if exhibit and exhibit.now:
        facts.append(("Now", clean(exhibit.now)))
    if head.raised and notice.quality and notice.quality != "good":
        facts.append(("Reading is", clean(notice.quality)))
    facts.append(("Since", local(notice.since_ms, zone)))
    if returned:
        facts.append(("Until", local(notice.at_ms, zone)))
        facts.append(("Lasted", lasting((notice.at_ms - notice.since_ms) / 1000)))
        facts.append(("Confirmed by", clean(notice.by) or "nobody yet"))
    elif not head.raised:
        facts.append(("At", local(notice.at_ms, zone)))
        if clean(notice.by):
            facts.append(("By", clean(notice.by)))
    if head.raised:
        facts.append(("To respond", _respond(notice, plant, head.kind)))
    elif not returned and notice.state in _STATES:
        facts.append(("State", f"{notice.state}: {_STATES[notice.state]}"))
    decided = telling.at_ms or (notice.at_ms if telling.why == "news" else now_ms)
    if (late := (now_ms - decided) / 1000) > LATE_S:
        facts.append(("This mail is late", f"it could not be sent for {lasting(late)}; look at what stands now"))
    return tuple(facts)


def _respond(notice: Notice, plant: Plant, kind: Kind | None) -> str:
    if notice.priority == "highest":  # a figure would read as time that is left
        return "at once, by site procedure"
    own = plant.alarms.get(notice.kind)
    given = own.respond_within if own is not None else None
    seconds = given if given is not None else kind.respond_s if kind else 3600.0
    by = clock_time(notice.since_ms + round(seconds * 1000), zone_of(plant), notice.since_ms)
    whose = "says the plant file" if given is not None else "a starting value until the plant gives its own"
    return f"within {lasting(seconds)} (by {by}), {whose}"


def _evidence(notice: Notice, exhibit: Exhibit | None) -> tuple[Section, ...]:
    name = "What it rests on" if notice.event == "raised" else "What it was raised on"  # the raise's own evidence
    text = clean(notice.evidence)
    numbers = exhibit.numbers if exhibit else ()
    return (Section(name, text, facts=numbers),) if text or numbers else ()


def _picture(exhibit: Exhibit | None) -> tuple[Section, ...]:
    if exhibit is None:
        return ()
    if exhibit.png:
        return (Section("The last hours", clean(exhibit.alt), mark="picture"),)
    return (Section("The last hours", clean(exhibit.missing)),) if exhibit.missing else ()


def _costs(exhibit: Exhibit | None) -> tuple[Section, ...]:
    return (Section("What it costs", lines=tuple(map(clean, exhibit.costs))),) if exhibit and exhibit.costs else ()


def _raised(
    telling: Telling, notice: Notice, head: Heading, plant: Plant, host: str, exhibit: Exhibit | None
) -> tuple[Section, ...]:
    kind = head.kind
    out: list[Section] = []
    if kind:
        caution = Section("Caution", kind.caution, mark="caution")
        looks = Section("Look at first", lines=kind.first_checks)
        # where water is concerned nobody should look before having read what kills
        out += (caution, looks) if kind.never_hidden else (looks,)
        out += _picture(exhibit)
        out.append(Section("What gets worse meanwhile", kind.consequence))
        if not kind.never_hidden:
            out.append(caution)
    else:
        out += (*_picture(exhibit), Section("Caution", "Local codes and licensed operators decide.", mark="caution"))
    out += _evidence(notice, exhibit)
    out += _costs(exhibit)
    if kind:
        out.append(Section("Likely causes", lines=kind.causes))
    if held := tuple(filter(None, map(clean, notice.held_back))):
        out.append(Section("No mail of its own while this stands", lines=held))
    out += who_knows(telling, plant)
    out += how_to_acknowledge(telling, host)
    out.append(Section("What happens next", _next(notice, kind)))
    out.append(_marks(notice))
    return tuple(out)


def _marks(notice: Notice) -> Section:
    facts = [("Priority", clean(notice.priority))]
    if notice.occurrence:
        facts.append(("Number", str(notice.occurrence)))
    return Section("Of this alarm", facts=tuple(facts))


def who_knows(telling: Telling, plant: Plant) -> tuple[Section, ...]:
    """Who was told, and who will be if nobody acknowledges. One line a person, newest first by person's order."""
    zone = zone_of(plant)
    lines = [f"{clean(t.name) or 'somebody'}, told at {clock_time(t.at_ms, zone)}" for t in telling.told]
    lines += map(clean, telling.remarks)
    if not telling.told:
        lines.append("You alone were told so far.")
    if n := telling.next_told:
        again = clean(n.name) == clean(telling.name)
        who = "you again" if again else clean(n.name) or "the next person"
        lines.append(f"Next: {who} at {clock_time(n.at_ms, zone)}, unless somebody acknowledges before")
    return (Section("Who knows", lines=tuple(lines)),)


def _next(notice: Notice, kind: Kind | None) -> str:
    if notice.kind == "logger_gap":  # an event, over as soon as it is told
        return "This is told once. After the next gap a new mail comes with a new number."
    off = ", or is held back because the boiler is off" if kind and kind.suppressed_when_off else ""
    return f"When it returns to normal{off}, a mail says so. If it is raised again after that, a new mail comes."


def _after(
    telling: Telling, notice: Notice, head: Heading, plant: Plant, host: str, exhibit: Exhibit | None
) -> tuple[Section, ...]:
    out = [*_picture(exhibit), *_evidence(notice, exhibit)]
    if telling.told or telling.remarks:
        out += who_knows(telling, plant)
    if notice.event == "returned":
        if notice.occurrence and not clean(notice.by) and "unacknowledged" in notice.state:
            out += how_to_acknowledge(telling, host)
        out.append(Section("What happens next", "If it is raised again, a new mail comes with a new number."))
    if head.kind and head.kind.never_hidden:
        out.append(Section("Caution", head.kind.caution, mark="caution"))
    out.append(_marks(notice))
    return tuple(out)
