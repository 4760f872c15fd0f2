"""Stored groups as InfluxDB line protocol: readings, alarms, events, blows. Pure.

May import: config, daemon.core, daemon.measure, this room. Values are in base units, always floats: an engine that has
once taken a float refuses a whole number, and text fields are kept by few. A point is known by measurement, tags and
time, so sending it again changes nothing.

    waterside_reading  plant, tag, target, what, unit       value, quality (0 good, 1 uncertain, 2 bad), reason (code)
    waterside_alarm    plant, target, kind, name, priority  standing, unacknowledged, quiet (0, 1), number, value, limit
    waterside_event    plant, target, kind, name, event     number
    waterside_blow     plant, boiler                        open_s, openings, kg, sampled, ended_at (dated at its end)
    waterside_log      plant                                alive (1), number of the poll, plant_version
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Final

from config.model import Plant
from daemon.core.outcome import Blow, Entry
from daemon.core.reasons import Quality, quality
from daemon.core.tags import derived_tags, raw_tags
from daemon.measure.current_loop import Line, line
from daemon.store.records import StoredGroup

_QUALITY: Final = {Quality.GOOD: "0", Quality.UNCERTAIN: "1", Quality.BAD: "2"}
_STANDING: Final = frozenset(
    {
        "unacknowledged",
        "acknowledged",
        "returned to normal unacknowledged",
        "latched unacknowledged",
        "latched acknowledged",
    }
)
_QUIET: Final = frozenset({"shelved", "suppressed by design", "out of service"})


def key(text: str) -> str:
    """A tag's value as the protocol wants it: commas, spaces and equal signs escaped, no line breaks, never empty."""
    clean = " ".join(text.split()).rstrip("\\") or "none"
    return clean.replace(",", "\\,").replace("=", "\\=").replace(" ", "\\ ")


class Lines:
    """One plant version's tags made ready. `name`: what the plant is called at the central server."""

    def __init__(self, plant: Plant, name: str, version: int) -> None:
        self._plant, self._version = key(name), version
        self._raw: list[list[tuple[int, str, Line | None]]] = [[] for _ in plant.modules]
        for tag in raw_tags(plant):
            ready = line(tag) if tag.kind == "analogue" else None
            self._raw[tag.module].append((tag.channel, self._head(tag.name, tag.target, tag.kind, tag.unit), ready))
        self._derived = [(self._head(d.name, d.target, d.what, d.unit), d.figure) for d in derived_tags(plant)]

    def _head(self, tag: str, target: str, what: str, unit: str) -> str:
        of = f",target={key(target)}" if target else ""
        in_unit = f",unit={key(unit)}" if unit else ""
        return f"waterside_reading,plant={self._plant},tag={key(tag)}{of},what={key(what)}{in_unit} "

    def of(self, stored: StoredGroup, shift_ms: int = 0) -> Iterator[str]:
        """The lines of one group, dated `shift_ms` later than it is stored. A tag told twice keeps its last word."""
        group = stored.group
        at = f" {group.at_ms + shift_ms}"
        yield f"waterside_log,plant={self._plant} alive=1,number={group.number},plant_version={self._version}{at}"
        for scan, verdicts in zip(group.scans, stored.verdicts, strict=True):
            for channel, head, ready in self._raw[scan.module]:
                count, verdict = scan.counts[channel], verdicts[channel]
                value: float | None = None
                if count is not None and ready is None:
                    value = float(count)
                elif count is not None and ready is not None and quality(ready.reason(count)) is not Quality.BAD:
                    value = ready.value(count)
                yield f"{head}{_fields(value, verdict)}{at}"
        last = {}
        for d in stored.derived:
            head, figure = self._derived[d.tag]
            last[d.tag] = head, None if figure and quality(d.reason) is Quality.BAD else d.value, d.reason
        for head, value, reason in last.values():
            yield f"{head}{_fields(value, reason)}{at}"
        yield from self.alarms(stored.journal, shift_ms)

    def alarms(self, journal: Iterable[Entry], shift_ms: int = 0) -> Iterator[str]:
        """The lines of journal entries: what happened, and how each alarm stands after it."""
        for e in journal:
            at = f" {e.at_ms + shift_ms}"
            named = f",name={key(e.name)}" if e.name else ""
            of = f"plant={self._plant},target={key(e.target)},kind={key(e.kind)}{named}"
            yield f"waterside_event,{of},event={key(e.event)} number={e.occurrence}{at}"
            if not e.occurrence:
                continue
            on = e.state in _STANDING
            asks = on and "unack" in e.state
            fields = f"standing={int(on)},unacknowledged={int(asks)},quiet={int(e.state in _QUIET)}"
            fields += f",number={e.occurrence}{_more('value', e.value)}{_more('limit', e.limit)}"
            yield f"waterside_alarm,{of},priority={key(e.priority)} {fields}{at}"

    def blow(self, b: Blow) -> str:
        """The line of a blow, dated at its end."""
        fields = f"open_s={b.open_ms / 1000!r},openings={b.openings}{_more('kg', b.kg)}"
        fields += f"{_more('sampled', b.sampled)}{_more('ended_at', b.ended_at)}"
        return f"waterside_blow,plant={self._plant},boiler={key(b.boiler)} {fields} {b.end_ms}"


def _fields(value: float | None, reason: int) -> str:
    said = f"quality={_QUALITY[quality(reason)]},reason={reason}"
    return said if value is None or not math.isfinite(value) else f"value={float(value)!r},{said}"


def _more(name: str, value: float | None) -> str:
    return "" if value is None or not math.isfinite(value) else f",{name}={float(value)!r}"
