"""Mails without an alarm: the daily mail, the sign of life, a test, the answer to a reply.

Pure. May import: config, daemon.core, daemon.notify.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

from config.model import Plant
from daemon.notify.acknowledging import how_to_acknowledge
from daemon.notify.letter import Letter, Section
from daemon.notify.telling import TOKEN_LINE, BoilerDay, Daily, Telling
from daemon.notify.wording import clean, day_of, figure, lasting, local, zone_of

_TITLES: Final = {
    "daily": "Daily mail",
    "sign of life": "Sign of life",
    "test": "Test mail",
    "answer": "Your reply",
    "news": "From the logger",
    "reminder": "Reminder",
    "escalation": "Handed on to you",
}
_COLUMNS: Final = 4
"""Boilers side by side in one table: more are cut off on a telephone."""


def text_letter(telling: Telling, plant: Plant, *, host: str = "") -> Letter:
    """The letter of a telling that says its `text`, paragraphs apart by empty lines; lines with "- " become a list."""
    name = clean(plant.plant.name) or "plant"
    title = clean(telling.title) or _TITLES.get(telling.why, "Mail")
    first, *rest = _paragraphs(telling.text) or [""]
    facts = (("At", local(telling.at_ms, zone_of(plant))),) if telling.at_ms else ()
    sections = [_paragraph(p) for p in rest]
    if token := clean(telling.token):
        sections.append(Section("Keep this line in a reply", lines=(f"{TOKEN_LINE}{token}",), mark="code"))
    return Letter(
        subject=f"{name}: {title[:1].lower()}{title[1:]}",
        plant=name,
        place="the logger",
        headline=title,
        tone="over",
        lead=clean(first),
        facts=facts,
        sections=(*sections, *how_to_acknowledge(telling, host)),
    )


def _paragraphs(text: str) -> list[str]:
    return [p for p in re.split(r"\n\s*\n", text.strip()) if clean(p)]


def _paragraph(text: str) -> Section:
    lines = [clean(x) for x in text.splitlines() if clean(x)]
    if all(x.startswith("- ") for x in lines):
        return Section("", lines=tuple(x[2:] for x in lines))
    return Section("", clean(text))


def daily(telling: Telling, day: Daily, plant: Plant) -> Letter:
    """The daily mail: what stands, one small table of the boilers, water, what is due."""
    zone = zone_of(plant)
    name = clean(plant.plant.name) or "plant"
    n = len(day.standing)
    stands = "no alarm stands" if not n else "1 alarm stands" if n == 1 else f"{n} alarms stand"
    till = day_of(day.to_ms, zone)
    sections = [Section("Standing now", lines=tuple(map(clean, day.standing)) or ("no alarm",))]
    if day.boilers:
        for i in range(0, len(day.boilers), _COLUMNS):
            some = day.boilers[i : i + _COLUMNS]
            sections.append(Section("The boilers" if not i else "", table=_table(some, plant)))
    if day.over:
        sections.append(Section("Raised and over", lines=tuple(map(clean, day.over))))
    if day.figures:
        sections.append(Section("Water, fuel, chemicals", facts=tuple((clean(k), clean(v)) for k, v in day.figures)))
    if day.due:
        sections.append(Section("Due", lines=tuple(map(clean, day.due))))
    sections += [_paragraph(p) for p in _paragraphs(telling.text)]
    if day.head:
        text = "The head of the records: kept elsewhere, it shows a later change of any of them."
        sections.append(Section("Records", text, (clean(day.head),), "code"))
    return Letter(
        subject=f"{name}: day to {till}, {stands}",
        plant=name,
        place="daily mail",
        headline=f"{stands[:1].upper()}{stands[1:]}",
        tone="high" if n else "over",
        lead=clean(telling.title) or f"What was seen from {local(day.from_ms, zone)} to {local(day.to_ms, zone)}.",
        facts=(),
        sections=tuple(sections),
    )


def _table(boilers: tuple[BoilerDay, ...], plant: Plant) -> tuple[tuple[str, ...], ...]:
    unit = figure(0.0, "uS/cm", plant)[1]
    rows: list[tuple[str, Callable[[BoilerDay], str]]] = [
        (f"Conductivity, {unit}", lambda b: _number(b.conductivity, plant)),
        ("Limit", lambda b: _number(b.limit, plant)),
        ("Cycles", lambda b: "-" if b.cycles is None else f"{b.cycles:.1f}"),
        ("Blows", lambda b: "-" if b.blows is None else str(b.blows)),
        ("Valve open", lambda b: "-" if b.blowing_s is None else lasting(b.blowing_s)),
        ("Steaming", lambda b: "-" if b.steaming_s is None else lasting(b.steaming_s)),
        ("Alarms standing", lambda b: str(b.standing)),
    ]
    body = [(label, *map(cell, boilers)) for label, cell in rows]
    known = [row for row in body if any(c != "-" for c in row[1:])]
    return (("", *(clean(b.name) for b in boilers)), *known)


def _number(value: float | None, plant: Plant) -> str:
    return "-" if value is None else figure(value, "uS/cm", plant)[0]
