"""What a mail says, before it is plain text or HTML: a telling and its plant to a `Letter`.

Lives here: the shape of a letter, and which file finds the words: `single` for one notice, `several` for more, `texts`
for what has none. Pure. May import: config, daemon.core, daemon.notify.
Words of safety: nothing here says that something is safe or can wait, or tells anybody to operate anything.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from config.model import Plant
from daemon.notify.exhibit import Exhibit
from daemon.notify.telling import Telling

FOOTER: Final = (
    "waterside watches and tells, nothing more. It is no safety device, and a mail can be late or lost: the gauges at "
    "the boiler and the site procedure come first."
)

Facts = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with any of: a paragraph, a list of lines, names with values, a table whose first row is its head."""

    heading: str
    text: str = ""
    lines: tuple[str, ...] = ()
    mark: str = ""  # "caution", "code" (the lines are to be typed or kept as they are), "picture" or ""
    facts: Facts = ()
    table: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class Letter:
    """The words of one mail, every string a single clean line."""

    subject: str
    plant: str
    place: str
    headline: str
    tone: str  # priority, or "over" for what has ended
    lead: str  # one sentence, what a telephone shows as preview
    facts: Facts
    sections: tuple[Section, ...]
    figure: tuple[str, str] = ("", "")  # value and limit, shown large
    banner: str = ""  # loud line above all else, "" where there is none
    picture: Exhibit | None = None  # where a section is marked "picture"
    footer: str = FOOTER


def letter(
    telling: Telling,
    plant: Plant,
    *,
    now_ms: int,
    demo_speed: float | None = None,
    host: str = "",
    exhibit: Exhibit | None = None,
) -> Letter:
    """The words for one telling. `now_ms`: plant time of sending, ms UTC; `demo_speed`: set for the demo's mails only.

    Never raises: a kind, target or event this version does not know still makes a mail.
    """
    from daemon.notify.several import several
    from daemon.notify.single import single
    from daemon.notify.texts import daily, text_letter

    if len(telling.notices) > 1:
        found = several(telling, plant, now_ms=now_ms, host=host)
    elif telling.notices:
        found = single(telling, plant, now_ms=now_ms, host=host, exhibit=exhibit)
    elif telling.daily is not None:
        found = daily(telling, telling.daily, plant)
    else:
        found = text_letter(telling, plant, host=host)
    if demo_speed is None:
        return found
    banner = f"DEMO at {demo_speed:g}x speed"
    return replace(
        found,
        subject=f"{banner}: {found.subject}",
        banner=f"{banner}. An invented boiler house; its clock runs {demo_speed:g} times too fast.",
    )
