"""What a derived tag is. Pure; imports nothing of ours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class DerivedTag:
    """A value the engine works out: "B1.conductivity" is the representative reading.

    A `figure` stands until it is reckoned anew, an `event` belongs to its instant, `pacing` is an index of
    `figure_tags.PACING`. Of these three a bad reason means that there is no value: the number stored is 0 then.
    """

    name: str
    target: str
    what: Literal[
        "conductivity",
        "dissolved_solids",
        "state",
        "valve",
        "total",
        "rate",
        "mass",
        "mass_rate",
        "figure",
        "event",
        "pacing",
        "day",
        "today",
        "volume",
    ]
    unit: str
    label: str = ""  # in words, for screens
    about: str = ""  # what it is worked out from, and over what time

    @property
    def figure(self) -> bool:
        """Whether a bad reason means that there is no value."""
        return self.what in ("figure", "event", "pacing")
