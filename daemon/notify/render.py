"""A `Letter` as plain text that stands alone, and as HTML for a narrow telephone first.

Pure. May import: daemon.notify.letter. The HTML has its styles inline, a block of dark colours for readers that know
`prefers-color-scheme`, and nothing fetched from elsewhere. The one picture comes with the mail, on a light card of its
own in the dark too, and its words stand in its place where pictures are off.
"""

from __future__ import annotations

import textwrap
from html import escape
from typing import Final

from daemon.notify.letter import Facts, Letter, Section

WIDTH: Final = 72

_FONT: Final = "font-family:system-ui,-apple-system,'Segoe UI',Roboto,'Helvetica Neue',Arial,sans-serif"
_MONO: Final = "font-family:ui-monospace,Menlo,Consolas,'DejaVu Sans Mono',monospace"
_BIG: Final = frozenset({"Now", "Reading is", "This mail is late"})
_TONES: Final = {  # bar beside the headline: light, dark; the word of the priority is always written too
    "highest": ("#a30f1d", "#ff6b74"),
    "high": ("#a30f1d", "#ff6b74"),
    "medium": ("#8f5200", "#ffb454"),
    "low": ("#2d5b8a", "#7fb4e6"),
    "over": ("#4a5560", "#a9b4be"),
}
_DARK: Final = """
@media (prefers-color-scheme: dark) {
body, .page { background: #14181c !important; color: #e8ecef !important; }
.soft { color: #a9b4be !important; }
.line { border-color: #36404a !important; }
.caution { background: #33290f !important; border-color: #c9982f !important; color: #f5e7c4 !important; }
.code { background: #232a31 !important; color: #e8ecef !important; }
.banner { background: #f2d95c !important; color: #1a1a1a !important; }
.tone { border-color: TONE !important; }
.tone h1 { color: TONE !important; }
}
"""


def plain(letter: Letter) -> str:
    """The letter as text of 72 columns (a long word or address may stick out)."""
    out: list[str] = []
    if letter.banner:
        out += [*_wrapped(f"*** {letter.banner} ***"), ""]
    out += [*_wrapped(f"{letter.plant}, {letter.place}"), *_wrapped(letter.headline.upper())]
    value, limit = letter.figure
    if against := ", ".join(filter(None, (value, limit and f"limit {limit}"))):
        out += _wrapped(against)
    out.append("")
    out += [*_wrapped(letter.lead), ""]
    if letter.facts:
        out += [*_columns(letter.facts), ""]
    for s in letter.sections:
        out += [s.heading.upper()] if s.heading else []
        if s.text:
            out += _wrapped(s.text)
        for line in s.lines:
            out += _wrapped(f"  {line}", "      ") if s.mark == "code" else _wrapped(f"- {line}", "  ")
        out += _columns(s.facts)
        out += _aligned(s.table)
        out.append("")
    if letter.banner:
        out += [*_wrapped(f"*** {letter.banner} ***"), ""]
    return "\n".join([*out, *_wrapped(letter.footer)]) + "\n"


def _columns(facts: Facts) -> list[str]:
    """Names left, values beside them; a name too long for its column stands on a line of its own."""
    wide = min(max((len(k) for k, _ in facts), default=0), WIDTH // 3) + 2
    out: list[str] = []
    for key, value in facts:
        lone = len(key) + 2 > wide
        out += _wrapped(key) if lone else []
        out += _wrapped(f"{'' if lone else key:<{wide}}{value}", hang=" " * wide, start=wide if lone else 0)
    return out


def _aligned(table: tuple[tuple[str, ...], ...]) -> list[str]:
    """A table in columns as wide as they need."""
    wide = [max(map(len, column)) for column in zip(*table, strict=False)]
    return [
        "  ".join([c.ljust(w) if not i else c.rjust(w) for i, (c, w) in enumerate(zip(r, wide, strict=False))]).rstrip()
        for r in table
    ]


def _wrapped(text: str, hang: str = "", start: int = 0) -> list[str]:
    lines = textwrap.wrap(
        text.lstrip() if start else text,
        WIDTH,
        initial_indent=" " * start,
        subsequent_indent=hang,
        break_long_words=False,
        break_on_hyphens=False,
        drop_whitespace=True,
    )
    return lines or [""]


def html(letter: Letter, picture: str = "") -> str:
    """The letter as one HTML page; `picture`: where its picture is found ("cid:..."), "" for none."""
    light, dark = _TONES.get(letter.tone, _TONES["medium"])
    banner = (
        f'<p class="banner" style="margin:MARGIN;padding:8px 12px;background:#f2d95c;color:#1a1a1a;'
        f'font-weight:700;border-radius:4px">{escape(letter.banner)}</p>\n'
        if letter.banner
        else ""
    )
    sections = "\n".join(_section(s, letter, picture) for s in letter.sections)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta name="supported-color-schemes" content="light dark">
<title>{escape(letter.subject)}</title>
<style>{_DARK.replace("TONE", dark)}</style>
</head>
<body class="page" style="margin:0;padding:0;background:#ffffff;color:#1b2126;-webkit-text-size-adjust:100%">
<div class="page" style="max-width:560px;margin:0 auto;padding:12px 16px 16px;{_FONT};font-size:16px;line-height:1.4;
background:#ffffff;color:#1b2126;overflow-wrap:anywhere">
{banner.replace("MARGIN", "0 0 12px")}
<div class="tone" style="border-left:5px solid {light};padding-left:12px;margin:0 0 10px">
<p class="soft" style="margin:0;color:#4a5560">{escape(letter.plant)}, {escape(letter.place)}</p>
<h1 style="margin:0;font-size:22px;line-height:1.25;color:{light}">{escape(letter.headline)}</h1>
{_figure(*letter.figure)}</div>
<p style="margin:0 0 8px">{escape(letter.lead)}</p>
{_table(letter.facts)}
{sections}
{banner.replace("MARGIN", "20px 0 0")}
<p class="soft line" style="margin:20px 0 0;padding-top:10px;border-top:1px solid #d5dbe0;color:#4a5560;
font-size:14px">{escape(letter.footer)}</p>
</div>
</body>
</html>
"""


def _figure(value: str, limit: str) -> str:
    """Value large, limit beside it or below."""
    big = f'<span style="font-size:22px;font-weight:700">{escape(value)}</span>' if value else ""
    small = f'<span class="soft" style="color:#4a5560;white-space:nowrap">limit {escape(limit)}</span>' if limit else ""
    return (
        f'<p style="margin:2px 0 0;line-height:1.3">{", ".join(filter(None, (big, small)))}</p>\n'
        if big or small
        else ""
    )


def _table(facts: Facts) -> str:
    if not facts:
        return ""
    rows = "\n".join(_fact(k, v, k in _BIG) for k, v in facts)
    return (
        '<table role="presentation" style="border-collapse:collapse;width:100%;margin:0 0 4px">\n' + rows + "\n</table>"
    )


def _fact(key: str, value: str, big: bool) -> str:
    weight = "font-weight:700" if big else ""
    return (
        f'<tr>\n<td class="soft line" style="padding:4px 12px 4px 0;vertical-align:top;width:27%;color:#4a5560;'
        f'border-bottom:1px solid #e4e8eb">{escape(key)}</td>\n'
        f'<td class="line" style="padding:4px 0;vertical-align:top;border-bottom:1px solid #e4e8eb;'
        f'{weight}">{escape(value)}</td>\n</tr>'
    )


def _grid(table: tuple[tuple[str, ...], ...]) -> str:
    """A table whose first row is its head and whose first column names the rows."""
    if not table:
        return ""
    head, *body = table
    line = "border-bottom:1px solid #e4e8eb"
    pad = "padding:4px 0 4px 10px"
    heads = "".join(
        f'<th scope="col" class="line" style="{pad};text-align:{"right" if i else "left"};{line}">{escape(c)}</th>\n'
        for i, c in enumerate(head)
    )
    rows = ""
    for name, *cells in body:
        rows += (
            f'<tr>\n<th scope="row" class="soft line" style="padding:4px 0;font-weight:400;text-align:left;'
            f'color:#4a5560;{line}">{escape(name)}</th>\n'
        )
        rows += "".join(f'<td class="line" style="{pad};text-align:right;{line}">{escape(c)}</td>\n' for c in cells)
        rows += "</tr>\n"
    return f'<table style="border-collapse:collapse;width:100%;margin:0 0 4px">\n<tr>\n{heads}</tr>\n{rows}</table>\n'


def _picture(letter: Letter, source: str, words: str) -> str:
    """The picture on a light card; `words` stand there where pictures are off."""
    seen = letter.picture
    if seen is None or not source:
        return f'<p style="margin:0 0 6px">{escape(words)}</p>\n'
    return (
        '<div class="card" style="background:#ffffff;color:#1b2126;border:1px solid #c3cbd3;border-radius:4px;'
        f'padding:6px 4px;font-size:14px;max-width:{seen.width}px">\n'
        f'<img src="{escape(source)}" alt="{escape(words)}" width="{seen.width}" style="display:block;width:100%;'
        f'max-width:{seen.width}px;height:auto;border:0;background:#ffffff;color:#1b2126"></div>\n'
    )


def _section(s: Section, letter: Letter, picture: str) -> str:
    head = f'<h2 style="margin:16px 0 4px;font-size:16px">{escape(s.heading)}</h2>\n' if s.heading else ""
    if s.mark == "picture":
        return head + _picture(letter, picture, s.text)
    text = f'<p style="margin:0 0 6px">{escape(s.text)}</p>\n' if s.text else ""
    if s.mark == "caution":
        return (
            f'<div class="caution" style="margin:14px 0 0;padding:10px 12px;background:#fff6df;color:#3b2c00;'
            f'border:1px solid #c9982f;border-radius:4px">\n<h2 style="margin:0 0 4px;font-size:16px">'
            f"{escape(s.heading)}</h2>\n{text.replace('0 0 6px', '0')}</div>"
        )
    if s.mark == "code":
        lines = "".join(
            f'<p class="code" style="margin:0 0 4px;padding:8px 10px;background:#eef1f3;color:#1b2126;'
            f'border-radius:4px;{_MONO};font-size:14px">{escape(x)}</p>\n'
            for x in s.lines
        )
        return head + text + lines
    items = "".join(f'<li style="margin:0 0 3px">{escape(x)}</li>\n' for x in s.lines)
    listed = f'<ul style="margin:0;padding-left:20px">\n{items}</ul>\n' if items else ""
    return head + text + listed + _table(s.facts) + _grid(s.table)
