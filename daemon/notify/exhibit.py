"""What is drawn and reckoned from the store beside a notice: pure data, made by a child process or not at all.

May import nothing of ours.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Exhibit:
    """The trend of the last hours as a picture, and figures that go with it; any part may be missing."""

    png: bytes = b""
    width: int = 0  # as shown, px; the picture itself may be finer
    height: int = 0
    alt: str = ""  # what the picture shows, in numbers
    now: str = ""  # the newest value with its time, "" where there is none newer than the notice's
    numbers: tuple[tuple[str, str], ...] = ()  # evidence of the last hours: ("Climb", "+42 umho/cm an hour")
    costs: tuple[str, ...] = ()  # sentences; (): not known, and then not said
    missing: str = ""  # why there is no picture, a sentence
