"""One mail about several alarms, instead of a flood.

Pure. May import: config, daemon.core, daemon.alarms.kinds, daemon.notify.
The gravest stands first and in the subject; each has its place, figures and time, and what to look at once for each
kind. Cautions are never left out.
"""

from __future__ import annotations

from typing import Final

from config.model import Plant
from daemon.alarms.kinds import PRIORITIES
from daemon.core.outcome import Notice
from daemon.notify.acknowledging import how_to_acknowledge
from daemon.notify.heading import Heading, heading
from daemon.notify.letter import Letter, Section
from daemon.notify.single import LATE_S, who_knows
from daemon.notify.telling import Telling
from daemon.notify.wording import clean, clock_time, lasting, zone_of

NAMED: Final = 2
"""So many alarms stand by name in the subject."""


def several(telling: Telling, plant: Plant, *, now_ms: int, host: str = "") -> Letter:
    """The letter of a telling with two notices or more."""
    pairs = sorted(((n, heading(n, plant)) for n in telling.notices), key=_gravest)
    raised = [(n, h) for n, h in pairs if h.raised]
    over = [(n, h) for n, h in pairs if not h.raised]
    name = clean(plant.plant.name) or "plant"
    named = ", ".join(f"{h.short} {h.lower}" + ("" if h.raised else f" {h.done}") for _, h in pairs[:NAMED])
    rest = f" and {len(pairs) - NAMED} more" if len(pairs) > NAMED else ""
    count = f"{len(raised)} alarms" if not over else f"{len(pairs)} alarm messages"
    zone = zone_of(plant)
    first, last = min(n.at_ms for n, _ in pairs), max(n.at_ms for n, _ in pairs)
    facts = [("Between", f"{clock_time(first, zone)} and {clock_time(last, zone, first)}")]
    decided = telling.at_ms or (last if telling.why == "news" else now_ms)
    if (late := (now_ms - decided) / 1000) > LATE_S:
        facts.append(("This mail is late", f"it could not be sent for {lasting(late)}; look at what stands now"))
    again = {
        "reminder": ", still unconfirmed",
        "escalation": ", nobody has confirmed",
    }.get(telling.why, "")
    numbers = sorted({n.occurrence for n, _ in pairs if n.occurrence})
    span = f" [{numbers[0]}-{numbers[-1]}]" if len(numbers) > 1 else f" [{numbers[0]}]" if numbers else ""
    return Letter(
        subject=f"{name}: {count}{again}: {named}{rest}{span}",
        plant=name,
        place=", ".join(dict.fromkeys(h.place for _, h in pairs)) if len({h.place for _, h in pairs}) < 4 else "all",
        headline=f"{len(raised)} alarms in one mail" if not over else f"{len(pairs)} messages in one mail",
        tone=min((n.priority for n, _ in raised), key=_rank, default="over"),
        lead=_lead(telling, raised, now_ms),
        facts=tuple(facts),
        sections=_sections(telling, plant, raised, over, host),
    )


def _rank(priority: str) -> int:
    return PRIORITIES.index(priority) if priority in PRIORITIES else len(PRIORITIES)


def _gravest(pair: tuple[Notice, Heading]) -> tuple[bool, bool, int, int, int]:
    notice, head = pair
    hidden = bool(head.kind and head.kind.never_hidden)
    return (not head.raised, not hidden, _rank(notice.priority), notice.since_ms, notice.occurrence)


def _lead(telling: Telling, raised: list[tuple[Notice, Heading]], now_ms: int) -> str:
    if telling.why == "escalation" and raised:
        stands = lasting((now_ms - min(n.since_ms for n, _ in raised)) / 1000)
        return f"The oldest was raised {stands} ago and nobody has confirmed it, so they come to you. Gravest first."
    if telling.why == "reminder" and raised:
        return "Nobody has confirmed these yet. Gravest first."
    return "They came within a short time and are told in one mail. Gravest first."


def _sections(
    telling: Telling,
    plant: Plant,
    raised: list[tuple[Notice, Heading]],
    over: list[tuple[Notice, Heading]],
    host: str,
) -> tuple[Section, ...]:
    out: list[Section] = []
    kinds = list(dict.fromkeys(h.kind for _, h in raised if h.kind))
    cautions = list(dict.fromkeys(k.caution for k in kinds))
    first = [k.caution for k in kinds if k.never_hidden]
    for text in dict.fromkeys(first):
        out.append(Section("Caution", text, mark="caution"))
    if raised:
        out.append(Section("Raised", facts=tuple(_line(n, h, plant) for n, h in raised)))
    if over:
        out.append(Section("Of others", facts=tuple(_line(n, h, plant) for n, h in over)))
    for k in kinds:
        out.append(Section(f"Look at first: {_lower(k.title)}", lines=k.first_checks))
    for text in cautions:
        if text not in first:
            out.append(Section("Caution", text, mark="caution"))
    worse = tuple(f"{k.title}: {k.consequence}" for k in kinds)
    if worse:
        out.append(Section("What gets worse meanwhile", lines=worse))
    out += who_knows(telling, plant)
    out += how_to_acknowledge(telling, host)
    return tuple(out)


def _line(notice: Notice, head: Heading, plant: Plant) -> tuple[str, str]:
    at = clock_time(notice.at_ms, zone_of(plant))
    number = f"{notice.occurrence} " if notice.occurrence else ""
    says = head.title + (head.against if head.raised else f": {head.ending}")
    return f"{number}{head.short}", f"{says}; {clean(notice.priority)}, {at}"


def _lower(title: str) -> str:
    return title if title.isupper() else title[:1].lower() + title[1:]
