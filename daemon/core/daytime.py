"""The plant's day: between which hours of its own clock things for the day are told. Pure. May import: config.

The zone is read once, when a plant is compiled; what hour an instant is there is then plain arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

from config.model import Plant


@dataclass(frozen=True, slots=True)
class Daytime:
    """From `begin` to before `end`, minutes since midnight of the plant's clock; over midnight when `end` is less."""

    zone: tzinfo
    begin: int
    end: int

    def holds(self, at_ms: int) -> bool:
        """Whether an instant (ms UTC) lies in the day."""
        at = datetime.fromtimestamp(at_ms // 1000, self.zone)
        minute = at.hour * 60 + at.minute
        if self.begin < self.end:
            return self.begin <= minute < self.end
        return minute >= self.begin or minute < self.end


def daytime(plant: Plant) -> Daytime:
    """The day of a plant; in UTC where this PC does not know its zone."""
    begin, end = (int(t[:2]) * 60 + int(t[3:]) for t in plant.plant.day.split(".."))
    try:
        zone: tzinfo = ZoneInfo(plant.plant.zone)
    except (KeyError, ValueError, OSError):
        zone = UTC
    return Daytime(zone, begin, end)
