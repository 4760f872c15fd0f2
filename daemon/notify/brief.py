"""The plain copy for a text-message address: less than 160 characters, subject and text together.

Pure. May import: config, daemon.core, daemon.notify. Only ASCII: one letter beyond halves what a message carries.
"""

from __future__ import annotations

import unicodedata
from typing import Final

from config.model import Plant
from daemon.notify.heading import heading
from daemon.notify.letter import Letter
from daemon.notify.telling import Telling
from daemon.notify.wording import clean, clock_time, zone_of

LONGEST: Final = 159
_NAME: Final = 24


def brief(telling: Telling, plant: Plant, letter: Letter) -> tuple[str, str]:
    """Subject and text of the short copy of a letter; what counts comes first, what is too long is cut at its end."""
    subject = _cut(_ascii(clean(plant.plant.name)) or "plant", _NAME)
    mark = "DEMO. " if letter.banner else ""
    return subject, _cut(mark + _text(telling, plant, letter), LONGEST - len(subject) - 1)


def _text(telling: Telling, plant: Plant, letter: Letter) -> str:
    zone = zone_of(plant)
    if not telling.notices:
        return _ascii(f"{letter.headline}. {letter.lead}")
    if len(telling.notices) > 1:
        return _ascii(letter.subject.partition(": ")[2])
    notice = telling.notices[0]
    head = heading(notice, plant)
    again = {"reminder": "Reminder: ", "escalation": "To you now: "}.get(telling.why, "") if head.raised else ""
    says = f"{again}{head.stem}" + (head.against if head.raised else f", {head.ending}")
    since = f", since {clock_time(notice.since_ms, zone)}" if head.raised else ""
    number = f". No. {notice.occurrence}" if notice.occurrence else ""
    room = LONGEST - _NAME - 1 - len(f"{since}{number}")
    return _cut(_ascii(says), room) + _ascii(f"{since}{number}")


def _ascii(text: str) -> str:
    flat = text.replace("µ", "u").replace("°", "")
    return unicodedata.normalize("NFKD", flat).encode("ascii", "ignore").decode()


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 2].rstrip() + ".."
