"""From the store to what a mail shows of the last hours: the picture, and figures in words.

Reads the store in slices and draws: for a child process (`daemon.app.picturing`), never in the service's own. May
import: config, daemon.core, daemon.measure, daemon.store, daemon.plot, daemon.notify.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from config.model import Plant
from daemon.core.outcome import Blow, Notice
from daemon.core.reasons import Quality, quality, words
from daemon.core.tags import STATES, RawTag, derived_tags, raw_tags
from daemon.measure.current_loop import to_reading
from daemon.notify.exhibit import Exhibit
from daemon.notify.sights import Shown, Sight, sight
from daemon.notify.wording import clean, clock_time, converted, grouped, lasting, written_unit, zone_of
from daemon.plot.raster import png
from daemon.plot.svg import draw, merged
from daemon.plot.trend import Level, Line, Span, Strip, Trend
from daemon.store.reader import Reader
from daemon.store.records import StoredGroup

HOUR_MS: Final = 3_600_000
BEFORE_MS: Final = 2 * HOUR_MS
"""So much is shown from before the raise, at least."""
LONGEST_MS: Final = 72 * HOUR_MS
LOOK_BACK_MS: Final = 900_000
"""States and held values are stored anew every ten minutes: that far back they are found."""
BLIND_MS: Final = 90_000
"""A stretch without polls longer than this, and than three intervals, is a hole."""
NEWER_MS: Final = 60_000
_STEAMING: Final = STATES.index("steaming")


def look(reader: Reader, notice: Notice, now_ms: int) -> Exhibit | None:
    """What is shown beside a notice at `now_ms`, None where no signal says anything about it.

    Raises StoreError; RuntimeError when the picture cannot be drawn.
    """
    last = reader.last()
    if last is None:
        return None
    plant = reader.plant(last.plant)
    what = sight(notice, plant)
    if what is None:
        return None
    to_ms = min(now_ms, last.at_ms)
    from_ms = min(notice.since_ms - BEFORE_MS, to_ms - round(what.hours * HOUR_MS))
    from_ms = max(from_ms, to_ms - LONGEST_MS)
    first = next(reader.groups(None, None), None)
    if first is not None and first.group.at_ms > from_ms:
        from_ms = min(max(from_ms, first.group.at_ms), to_ms - HOUR_MS // 2)
    seen = _Seen(plant, what, reader, from_ms, to_ms)
    for stored in reader.groups(from_ms - LOOK_BACK_MS, to_ms + 1):
        seen.take(stored)
    seen.close()
    blows = tuple(b for b in reader.blows(from_ms, to_ms) if b.boiler == what.boiler) if what.boiler else ()
    trend, line = _trend(seen, notice, plant, from_ms, to_ms)
    svg, width, height = draw(trend)
    shown_width = round(width * 1.4)
    return Exhibit(
        png=png(svg, width),
        width=shown_width,
        height=round(height * 1.4),
        alt=_alt(trend, line, seen, notice, plant, blows),
        now=_now(seen, line, notice, plant),
        numbers=_numbers(trend, line, plant, blows, what),
    )


@dataclass(slots=True)
class _Track:
    """On and off of one strip as it goes by."""

    shown: Shown
    since: int = -1
    spans: list[Span] = field(default_factory=list)

    def say(self, at_ms: int, on: bool | None) -> None:
        if on and self.since < 0:
            self.since = at_ms
        elif not on and self.since >= 0:
            self.spans.append((self.since, at_ms))
            self.since = -1


class _Seen:
    """Collects what the picture shows while groups go by."""

    def __init__(self, plant: Plant, what: Sight, reader: Reader, from_ms: int, to_ms: int) -> None:
        self.what, self._reader = what, reader
        self.from_ms, self.to_ms = from_ms, to_ms
        self.at: list[int] = []
        self.values: list[float | None] = []
        self.unit = ""
        self.doubtful: list[Span] = []
        self._doubt_since = -1
        self.doubt_words: dict[str, int] = {}
        self._doubt_word = ""
        self.tracks = [_Track(s) for s in what.strips]
        self._version = -1
        self._before_ms = -1
        self._state = -1
        self._reason = 0
        self.last_reason = 0
        every = max((m.every for m in plant.modules), default=10.0)
        self._blind_ms = max(BLIND_MS, round(3000 * every))

    def _tags(self, version: int) -> None:
        """Where the signals lie in groups of a plant version."""
        plant = self._reader.plant(version)
        self._version = version
        raw = {t.name: t for t in raw_tags(plant)}
        derived = {t.name: (i, t) for i, t in enumerate(derived_tags(plant))}
        self._raw: RawTag | None = raw.get(self.what.line)
        found = derived.get(self.what.line)
        self._derived = found[0] if found else -1
        if self._raw or found:
            self.unit = self._raw.unit if self._raw else found[1].unit if found else ""
        self._raws = [raw.get(t.shown.tag) if t.shown.how == "contact" else None for t in self.tracks]
        self._valves = [derived[t.shown.tag][0] if t.shown.tag in derived else -1 for t in self.tracks]
        names = {m.name: i for i, m in enumerate(plant.modules)}
        self._modules = [names.get(t.shown.tag, -1) if t.shown.how == "silent" else -1 for t in self.tracks]
        state = derived.get(f"{self.what.boiler}.state") if self.what.boiler and self.what.held else None
        self._state_tag = state[0] if state else -1

    def take(self, stored: StoredGroup) -> None:
        group = stored.group
        if group.plant != self._version:
            self._tags(group.plant)
        now = group.at_ms
        if 0 <= self._before_ms < now - self._blind_ms:
            self._blind(self._before_ms)
        self._before_ms = now
        at = {scan.module: k for k, scan in enumerate(group.scans)}
        values = {d.tag: d for d in stored.derived}
        if (d := values.get(self._state_tag)) is not None:
            self._state = int(d.value)
        self._line(stored, at, now)
        for track, raw, valve, module in zip(self.tracks, self._raws, self._valves, self._modules, strict=True):
            s = track.shown
            if s.how == "valve" and (v := values.get(valve)) is not None:
                track.say(now, bool(v.value))
            elif raw is not None and (k := at.get(raw.module)) is not None:
                count = group.scans[k].counts[raw.channel]
                on = None if count is None else (bool(count) == s.closed_is_on) != s.inverted
                track.say(now, on)
            elif s.how == "silent" and (k := at.get(module)) is not None:
                track.say(now, all(c is None for c in group.scans[k].counts))

    def _line(self, stored: StoredGroup, at: dict[int, int], now: int) -> None:
        if self._raw is not None:
            if (k := at.get(self._raw.module)) is None:
                return
            reason = stored.verdicts[k][self._raw.channel]
            found = to_reading(stored.group.scans[k].counts[self._raw.channel], self._raw, now)
            self._point(now, found.value, reason)
            return
        if self._derived < 0:
            return
        new = next((d for d in stored.derived if d.tag == self._derived), None)
        if new is not None:
            self._reason = new.reason
        if self._state_tag >= 0 and self._state >= 0 and self._state != _STEAMING:
            if not self.values or self.values[-1] is not None:
                self._point(now, None, 0)
            self._doubt(now, f"boiler {STATES[self._state]}")
        elif new is not None:
            self._point(now, None if quality(new.reason) is Quality.BAD else new.value, new.reason)

    def _point(self, now: int, value: float | None, reason: int) -> None:
        self.at.append(now)
        self.values.append(value)
        self.last_reason = reason
        self._doubt(now, words(reason) if reason else "")

    def _doubt(self, now: int, why: str) -> None:
        if why == self._doubt_word:
            return
        if self._doubt_since >= 0:
            self._close_doubt(now)
        if why:
            self._doubt_since = now
        self._doubt_word = why

    def _close_doubt(self, now: int) -> None:
        a, b = max(self._doubt_since, self.from_ms), min(now, self.to_ms)
        if b > a:
            self.doubtful.append((a, b))
            self.doubt_words[self._doubt_word] = self.doubt_words.get(self._doubt_word, 0) + b - a
        self._doubt_since, self._doubt_word = -1, ""

    def _blind(self, since: int) -> None:
        """Nothing was polled for a time: nothing is drawn as if it had been."""
        if self.values and self.values[-1] is not None:
            self.at.append(since)
            self.values.append(None)
        self._doubt(since, "not watched")
        for track in self.tracks:
            track.say(since, None)

    def close(self) -> None:
        end = self._before_ms if self._before_ms >= 0 else self.to_ms
        if self._doubt_since >= 0:
            self._close_doubt(end)
        for track in self.tracks:
            track.say(end, None)


def _trend(seen: _Seen, notice: Notice, plant: Plant, from_ms: int, to_ms: int) -> tuple[Trend, Line | None]:
    what, written = seen.what, written_unit(notice, plant)
    line = None
    if what.line and any(v is not None for v in seen.values):
        unit = converted(0.0, seen.unit, plant, written)[1]
        pairs = _within(seen, from_ms, to_ms)
        values = [None if v is None else converted(v, seen.unit, plant, written)[0] for _, v in pairs]
        line = Line(what.title, unit, [t for t, _ in pairs], values, held=what.held)
    levels: tuple[Level, ...] = ()
    if line and notice.limit is not None and notice.unit and seen.unit.startswith(notice.unit):
        levels = (Level("limit", converted(notice.limit, seen.unit, plant, written)[0]),)
    strips = []
    for track in seen.tracks:
        spans = merged([(max(a, from_ms), min(b, to_ms)) for a, b in track.spans if b > from_ms and a < to_ms])
        strips.append(Strip(track.shown.name, spans, track.shown.alarm))
    over = notice.event == "returned"
    return (
        Trend(
            from_ms,
            to_ms,
            line,
            levels,
            tuple(strips),
            merged(seen.doubtful, 60_000),
            notice.since_ms,
            "raised",
            notice.at_ms if over else None,
            "returned",
            zone_of(plant),
            plant.plant.units == "us",
        ),
        line,
    )


def _within(seen: _Seen, from_ms: int, to_ms: int) -> list[tuple[int, float | None]]:
    """The points of the window; what was held at its start stands there."""
    pairs = list(zip(seen.at, seen.values, strict=True))
    inside = [p for p in pairs if from_ms <= p[0] <= to_ms]
    before = [p for p in pairs if p[0] < from_ms]
    return [(from_ms, before[-1][1]), *inside] if before and seen.what.held else inside


def _said(value: float, unit: str, plant: Plant) -> str:
    return f"{grouped(value, plant)} {unit}".rstrip()


def _known(line: Line | None) -> list[tuple[int, float]]:
    if line is None:
        return []
    return [(t, v) for t, v in zip(line.at_ms, line.values, strict=True) if v is not None]


def _alt(trend: Trend, line: Line | None, seen: _Seen, notice: Notice, plant: Plant, blows: tuple[Blow, ...]) -> str:
    """What the picture shows, in numbers."""
    zone = trend.zone
    start, end = clock_time(trend.from_ms, zone), clock_time(trend.to_ms, zone, trend.from_ms)
    known = _known(line)
    title = clean(seen.what.title) or "signals"
    parts = [f"Trend of {title}, {start} to {end}"]
    if line and known:
        low, high = (f(v for _, v in known) for f in (min, max))
        at_end = known[-1][1]
        parts[0] += (
            f": between {grouped(low, plant)} and {_said(high, line.unit, plant)}, "
            f"{_said(at_end, line.unit, plant)} at the end"
        )
        parts += [f"limit {_said(lv.value, line.unit, plant)}" for lv in trend.levels]
    elif seen.what.line:
        parts[0] += ": no reading"
    if trend.mark_ms is not None:
        parts.append(f"raised at {clock_time(trend.mark_ms, zone)}")
    if trend.end_ms is not None:
        parts.append(f"returned at {clock_time(trend.end_ms, zone)}")
    for strip in trend.strips:
        name = _LONG.get(strip.name, strip.name)
        total = sum(b - a for a, b in strip.spans)
        times = f"{len(strip.spans)} times, " if len(strip.spans) > 1 else ""
        parts.append(f"{name} {times}{lasting(total / 1000)} in all" if strip.spans else f"{name} never")
    for why, ms in sorted(seen.doubt_words.items(), key=lambda w: -w[1])[:3]:
        parts.append(f"reading not good for {lasting(ms / 1000)}: {clean(why)}")
    return "; ".join(parts) + "."


_LONG: Final = {
    "blow": "blowdown valve open",
    "interlock": "interlock open",
    "low": "low water",
    "high": "high water",
    "fires": "burner firing",
    "no fire": "burner not firing",
    "alarm": "controller's alarm",
    "hand": "controller in hand",
    "pump": "pump running",
}


def _now(seen: _Seen, line: Line | None, notice: Notice, plant: Plant) -> str:
    known = _known(line)
    if line is None or not known:
        return ""
    at, value = known[-1]
    if line.at_ms[-1] != at:
        return "no good reading"
    if at < notice.at_ms + NEWER_MS:
        return ""
    beside = f", {words(seen.last_reason)}" if seen.last_reason else ""
    return f"{_said(value, line.unit, plant)} at {clock_time(at, zone_of(plant), notice.since_ms)}{beside}"


def _numbers(
    trend: Trend, line: Line | None, plant: Plant, blows: tuple[Blow, ...], what: Sight
) -> tuple[tuple[str, str], ...]:
    out: list[tuple[str, str]] = []
    length = lasting((trend.to_ms - trend.from_ms) / 1000)
    known = _known(line)
    if line and known:
        low, high = min(known, key=lambda p: p[1]), max(known, key=lambda p: p[1])
        zone = trend.zone
        out.append(("Highest", f"{_said(high[1], line.unit, plant)} at {clock_time(high[0], zone)}"))
        out.append(("Lowest", f"{_said(low[1], line.unit, plant)} at {clock_time(low[0], zone)}"))
    if what.boiler and what.strips and what.strips[0].how == "valve":
        if blows:
            open_s = sum(b.open_ms for b in blows) / 1000
            last = blows[-1]
            text = f"{len(blows)} ended in the last {length}, valve open {lasting(open_s)} in all"
            text += (
                f"; the last began {clock_time(last.start_ms, trend.zone)} and lasted {lasting(last.open_ms / 1000)}"
            )
            out.append(("Blows", text))
        else:
            out.append(("Blows", f"none ended in the last {length}"))
    return tuple(out)
