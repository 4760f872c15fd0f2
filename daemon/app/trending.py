"""`trend`: a tag over any time in few lines or points, least and greatest exact; on the terminal or as JSON.

May import: daemon.app.exporting, daemon.core, daemon.store.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from config.model import Plant
from config.units import plain
from daemon.app.exporting import ExportError, instant_ms
from daemon.core.say import System, in_plant_units
from daemon.core.tags import PACING, STATES
from daemon.store.errors import StoreError
from daemon.store.history import Bucket, History, Trend, UnknownTag
from daemon.store.reader import Reader

WORDS: Final = {"contact": ("open", "closed"), "valve": ("shut", "open"), "state": STATES, "pacing": PACING}


class TrendRefused(Exception):
    """There is no trend; `code` 2 when what was asked for is not understood."""

    def __init__(self, text: str, code: int) -> None:
        super().__init__(text)
        self.code = code


@dataclass(frozen=True, slots=True)
class Shown:
    """A trend as people of the plant read it: values in their units, times on their clock."""

    trend: Trend
    unit: str
    system: System
    zone: ZoneInfo

    def as_json(self) -> dict[str, Any]:
        return {
            "tag": self.trend.tag,
            "unit": self.unit,
            "points": [self._point(b) for b in self.trend.buckets],
        }

    def _point(self, b: Bucket) -> dict[str, Any]:
        f, value = b.figures, self._value
        point: dict[str, Any] = {"from": self._time(b.from_ms), "to": self._time(b.to_ms)}
        if f.count:
            point |= {"least": value(f.least), "mean": value(f.mean), "greatest": value(f.greatest)}
            point |= {"first": value(f.first), "last": value(f.last)}
        return point | {"readings": f.seen, "with_value": f.count, "good": f.good}

    def as_text(self) -> str:
        words = WORDS.get(self.trend.kind)
        unit = f" ({self.unit})" if self.unit else ""
        heads = ("from", "least", "mean", "greatest", "last", "readings", "good")
        rows = [heads, *(self._row(b, words) for b in self.trend.buckets)]
        widths = [max(len(r[i]) for r in rows) for i in range(len(heads))]
        lines = ["  ".join(c.ljust(w) if i == 0 else c.rjust(w) for i, (c, w) in enumerate(zip(r, widths, strict=True)))
                 for r in rows]  # fmt: skip
        return "\n".join((f"{self.trend.tag}{unit}", *lines))

    def _row(self, b: Bucket, words: tuple[str, ...] | None) -> tuple[str, ...]:
        f = b.figures
        if not f.count:
            said = ("-", "-", "-", "-")
        elif words is not None:
            two = len(words) == 2
            ends = (_word(words, f.least), _word(words, f.greatest)) if two else ("-", "-")  # states have no order
            share = f"{100 * f.mean:.1f} %" if two else "-"  # of the readings it was closed, or open
            said = (ends[0], share, ends[1], _word(words, f.last))
        else:
            said = (plain(self._value(f.least)), plain(self._value(f.mean)), plain(self._value(f.greatest)),
                    plain(self._value(f.last)))  # fmt: skip
        at = datetime.fromtimestamp(b.from_ms // 1000, self.zone)
        return (f"{at:%Y-%m-%d %H:%M:%S %Z}", *said, f"{f.seen}", f"{100 * f.share_good:.0f} %")

    def _value(self, value: float) -> float:
        return in_plant_units(value, self.trend.unit, self.system)[0] if self.trend.unit else float(value)

    def _time(self, at_ms: int) -> str:
        at = datetime.fromtimestamp(at_ms // 1000, self.zone)
        text = at.replace(microsecond=at_ms % 1000 * 1000)
        return text.isoformat(timespec="milliseconds" if at_ms % 1000 else "seconds")


def _word(words: tuple[str, ...], value: float) -> str:
    return words[int(value)] if 0 <= int(value) < len(words) else plain(value)


def trend(store: Path, tag: str, start: str, end: str, points: int) -> Shown:
    """A tag of a store over a time in at most `points` stretches. TrendRefused."""
    try:
        with Reader(store) as reader:
            last = reader.last()
            if last is None:
                raise TrendRefused(f"{store} holds nothing yet.", 1)
            plant: Plant = reader.plant(last.plant)
            zone = ZoneInfo(plant.plant.zone)
            now_ms = last.at_ms + reader.shifts().get(last.segment, 0)
            a, b = instant_ms(start, zone, now_ms), instant_ms(end, zone, now_ms, end=True)
            if a >= b:
                raise TrendRefused(f"--from {start} is not before --to {end}.", 2)
            found = History(reader).trend(tag, a, b, points)
    except (UnknownTag, ExportError) as e:
        raise TrendRefused(str(e), 2) from e
    except StoreError as e:
        raise TrendRefused(str(e), 1) from e
    if not found.buckets:
        raise TrendRefused(f"Nothing of {tag} is stored from {start} to {end}.", 1)
    shown = in_plant_units(0.0, found.unit, plant.plant.units)[1] if found.unit else ""
    return Shown(found, shown, plant.plant.units, zone)
