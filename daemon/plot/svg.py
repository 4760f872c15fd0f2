"""A `Trend` as SVG, drawn for the width of a telephone. Pure. May import: daemon.plot.

One light card with its own colours, so that it reads the same in the dark. What colour tells is told by shape or word
too: the limit is dashed and named, doubtful stretches are hatched, strips have their names.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from html import escape
from typing import Final

from daemon.plot.axes import bounds, number, ticks, times
from daemon.plot.trend import Line, Span, Trend

WIDTH: Final = 344
_LEFT, _RIGHT, _TOP = 66, 10, 34
_HIGH: Final = 138  # of the plot itself
_ROW: Final = 17
_FONT: Final = 'font-family="DejaVu Sans Mono"'
_SIZE: Final = 11
_CHAR: Final = 0.602 * _SIZE

INK, SOFT, GRID, PAPER = "#1b2126", "#4a5560", "#dde2e6", "#ffffff"
SIGNAL, LIMIT, RUNS, DOUBT = "#0b57a4", "#a30f1d", "#2d6a4f", "#8a939c"


def draw(trend: Trend) -> tuple[str, int, int]:
    """The picture as SVG text, with its width and height in px."""
    plot = _Plot(trend)
    return plot.svg(), WIDTH, plot.height


class _Plot:
    def __init__(self, trend: Trend) -> None:
        self.t = trend
        self.high = _HIGH if trend.line else 0
        self.strips_at = _TOP + self.high + (6 if trend.line else 0)
        self.base = self.strips_at + _ROW * len(trend.strips)
        self.doubt_row = bool(trend.doubtful) and trend.line is not None
        self.height = self.base + 22 + (_ROW if self.doubt_row else 0)
        self.low_v, self.high_v, self.step = self._scale()

    def _scale(self) -> tuple[float, float, float]:
        if self.t.line is None:
            return 0.0, 1.0, 1.0
        values = [v for v in self.t.line.values if v is not None and math.isfinite(v)]
        values += [lv.value for lv in self.t.levels]
        return bounds(min(values), max(values)) if values else (0.0, 1.0, 1.0)

    def x(self, at_ms: float) -> float:
        share = (at_ms - self.t.from_ms) / max(1, self.t.to_ms - self.t.from_ms)
        return _LEFT + min(1.0, max(0.0, share)) * (WIDTH - _LEFT - _RIGHT)

    def y(self, value: float) -> float:
        return _TOP + self.high * (1 - (value - self.low_v) / (self.high_v - self.low_v))

    def svg(self) -> str:
        parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{self.height}" '
            f'viewBox="0 0 {WIDTH} {self.height}">',
            '<defs><pattern id="doubt" width="5" height="5" patternUnits="userSpaceOnUse">'
            f'<path d="M-1,6 L6,-1" stroke="{DOUBT}" stroke-width="1.1"/></pattern></defs>',
            f'<rect width="{WIDTH}" height="{self.height}" fill="{PAPER}"/>',
            *self._title(),
            *self._grid(),
            *self._doubt(),
            *self._signal(),
            *self._strips(),
            *self._marks(),
            "</svg>",
        ]
        return "\n".join(parts)

    def _text(
        self, x: float, y: float, words: str, colour: str = SOFT, anchor: str = "start", bold: bool = False
    ) -> str:
        weight = ' font-weight="bold"' if bold else ""
        return (
            f'<text x="{x:.1f}" y="{y:.1f}" {_FONT} font-size="{_SIZE}"{weight} fill="{colour}" '
            f'text-anchor="{anchor}">{escape(words)}</text>'
        )

    def _title(self) -> list[str]:
        line = self.t.line
        if line is None:
            return []
        return [self._text(4, 11, f"{line.name}, {line.unit}" if line.unit else line.name, INK, bold=True)]

    def _grid(self) -> list[str]:
        out: list[str] = []
        right, bottom = WIDTH - _RIGHT, self.base
        if self.t.line:
            for v in ticks(self.low_v, self.high_v, self.step):
                y = self.y(v)
                out.append(_rule(_LEFT, y, right, y, GRID))
                out.append(self._text(_LEFT - 5, y + 4, number(v, self.step, self.t.thousands), anchor="end"))
        most = max(2, int((right - _LEFT) / (6.2 * _CHAR)))
        shown = times(self.t.from_ms, self.t.to_ms, self.t.zone, most)
        for at, words in shown:
            x = self.x(at)
            out.append(_rule(x, _TOP, x, bottom + 3, GRID))
            half = len(words) * _CHAR / 2
            out.append(
                self._text(min(max(x, _LEFT - 20 + half), WIDTH - half - 1), bottom + 15, words, anchor="middle")
            )
        name = datetime.fromtimestamp(self.t.to_ms / 1000, UTC).astimezone(self.t.zone).tzname() or ""
        if name.isalpha():
            out.append(self._text(4, bottom + 15, name))
        out.append(_rule(_LEFT, bottom, right, bottom, SOFT))
        return out

    def _doubt(self) -> list[str]:
        if self.t.line is None:
            return []
        out = [
            _box(self.x(a), _TOP, self.x(b), _TOP + self.high, "url(#doubt)", 'opacity="0.55"')
            for a, b in self.t.doubtful
        ]
        if self.doubt_row:
            y = self.height - 5
            out.append(_box(_LEFT, y - 10, _LEFT + 18, y, "url(#doubt)", f'stroke="{DOUBT}" stroke-width="0.8"'))
            out.append(self._text(_LEFT + 24, y - 1, "hatched: reading not good"))
        return out

    def _signal(self) -> list[str]:
        line = self.t.line
        if line is None:
            return []
        out: list[str] = []
        for level in self.t.levels:
            y = self.y(level.value)
            out.append(_rule(_LEFT, y, WIDTH - _RIGHT, y, LIMIT, 'stroke-width="1.6" stroke-dasharray="6 3"'))
        for run in runs(line, self.t.to_ms):
            points = [(self.x(t), self.y(v)) for t, v in _thin(run, self.t.from_ms, self.t.to_ms)]
            if len(points) == 1:
                out.append(f'<circle cx="{points[0][0]:.1f}" cy="{points[0][1]:.1f}" r="2.2" fill="{SIGNAL}"/>')
            else:
                path = "M" + " L".join(f"{x:.1f},{y:.1f}" for x, y in points)
                out.append(
                    f'<path d="{path}" fill="none" stroke="{SIGNAL}" stroke-width="1.9" stroke-linejoin="round"/>'
                )
        for level in self.t.levels:  # its words above the line of the signal, on paper of their own
            words = f"{level.name} {number(level.value, self.step / 10, self.t.thousands)}"
            wide = len(words) * _CHAR
            y = self.y(level.value)
            at = y - 5 if y - _TOP > 14 else y + 13
            out.append(_box(_LEFT + 3, at - 10, _LEFT + 7 + wide, at + 3, PAPER, 'opacity="0.85"'))
            out.append(self._text(_LEFT + 5, at, words, LIMIT))
        return out

    def _strips(self) -> list[str]:
        out: list[str] = []
        room = int((_LEFT - 6) / _CHAR)
        for i, strip in enumerate(self.t.strips):
            y = self.strips_at + _ROW * i
            out.append(self._text(_LEFT - 5, y + 12, strip.name[:room], INK, anchor="end"))
            out.append(_box(_LEFT, y + 3, WIDTH - _RIGHT, y + _ROW - 3, "#eef1f3"))
            for a, b in strip.spans:
                left = self.x(a)
                right = max(self.x(b), left + 1.2)  # the shortest is seen too
                out.append(_box(left, y + 3, right, y + _ROW - 3, LIMIT if strip.alarm else RUNS))
        return out

    def _marks(self) -> list[str]:
        out: list[str] = []
        named: list[tuple[float, float]] = []
        for at, name in ((self.t.mark_ms, self.t.mark_name), (self.t.end_ms, self.t.end_name)):
            if at is None or not self.t.from_ms <= at <= self.t.to_ms:
                continue
            x = self.x(at)
            local = datetime.fromtimestamp(at / 1000, UTC).astimezone(self.t.zone)
            words = f"{name} {local:%H:%M}"
            half = len(words) * _CHAR / 2
            centre = min(max(x, _LEFT + half - 20), WIDTH - half - 2)
            y = 27.0
            if any(abs(centre - c) < half + h + 4 for c, h in named):
                y = _TOP + 10.0
            named.append((centre, half))
            out.append(_rule(x, _TOP - 4, x, self.base, INK, 'stroke-width="1.5"'))
            out.append(f'<path d="M{x - 4:.1f},{_TOP - 6} L{x + 4:.1f},{_TOP - 6} L{x:.1f},{_TOP} Z" fill="{INK}"/>')
            if y > 27:
                out.append(_box(centre - half - 2, y - 10, centre + half + 2, y + 3, PAPER, 'opacity="0.85"'))
            out.append(self._text(centre, y, words, INK, anchor="middle", bold=True))
        return out


def runs(line: Line, to_ms: int) -> list[list[tuple[int, float]]]:
    """The stretches of a signal between its holes, as points to join; a held one steps."""
    out: list[list[tuple[int, float]]] = []
    run: list[tuple[int, float]] = []
    for at, value in zip(line.at_ms, line.values, strict=True):
        if value is None or not math.isfinite(value):
            if run and line.held:
                run.append((at, run[-1][1]))
            if run:
                out.append(run)
            run = []
            continue
        if run and line.held and run[-1][1] != value:
            run.append((at, run[-1][1]))
        run.append((at, value))
    if run and line.held and run[-1][0] < to_ms:
        run.append((to_ms, run[-1][1]))
    return [*out, run] if run else out


def _thin(run: list[tuple[int, float]], from_ms: int, to_ms: int) -> list[tuple[int, float]]:
    """At most four points for each half pixel: the first, the lowest, the highest, the last of it."""
    if len(run) < 4 * WIDTH:
        return run
    size = max(1, (to_ms - from_ms) // (2 * WIDTH))
    out: list[tuple[int, float]] = []
    bucket: list[tuple[int, float]] = []

    def close() -> None:
        kept = {bucket[0], bucket[-1], min(bucket, key=lambda p: p[1]), max(bucket, key=lambda p: p[1])}
        out.extend(sorted(kept))

    for point in run:
        if bucket and point[0] // size != bucket[0][0] // size:
            close()
            bucket = []
        bucket.append(point)
    close()
    return out


def merged(spans: list[Span], gap_ms: int = 0) -> tuple[Span, ...]:
    """Spans in order, those that meet or lie less than `gap_ms` apart joined."""
    out: list[Span] = []
    for a, b in sorted(spans):
        if out and a <= out[-1][1] + gap_ms:
            out[-1] = (out[-1][0], max(out[-1][1], b))
        else:
            out.append((a, b))
    return tuple(out)


def _rule(x1: float, y1: float, x2: float, y2: float, colour: str, more: str = 'stroke-width="1"') -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" {more}/>'


def _box(x1: float, y1: float, x2: float, y2: float, fill: str, more: str = "") -> str:
    return (
        f'<rect x="{x1:.1f}" y="{y1:.1f}" width="{max(0.0, x2 - x1):.1f}" height="{y2 - y1:.1f}" fill="{fill}" {more}/>'
    )
