"""A `Letter` as plain text that stands alone, and as HTML for a narrow telephone first.

Pure. May import: daemon.notify.letter. The HTML has its styles inline, a block of dark colours for readers that know
`prefers-color-scheme`, no pictures and nothing fetched from elsewhere.
"""

from __future__ import annotations

import textwrap
from html import escape
from typing import Final

from daemon.notify.letter import Letter, Section

WIDTH: Final = 72

_FONT: Final = "font-family:system-ui,-apple-system,'Segoe UI',Roboto,'Helvetica Neue',Arial,sans-serif"
_MONO: Final = "font-family:ui-monospace,Menlo,Consolas,'DejaVu Sans Mono',monospace"
_BIG: Final = frozenset({"Value", "Limit", "This mail is late"})
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
    out += [*_wrapped(f"{letter.plant}, {letter.place}"), *_wrapped(letter.headline.upper()), ""]
    out += [*_wrapped(letter.lead), ""]
    wide = max((len(k) for k, _ in letter.facts), default=0) + 2
    for key, value in letter.facts:
        out += _wrapped(f"{key:<{wide}}{value}", hang=" " * wide)
    out.append("")
    for s in letter.sections:
        out += [s.heading.upper()]
        if s.text:
            out += _wrapped(s.text)
        for line in s.lines:
            out += _wrapped(f"  {line}", "      ") if s.mark == "code" else _wrapped(f"- {line}", "  ")
        out.append("")
    if letter.banner:
        out += [*_wrapped(f"*** {letter.banner} ***"), ""]
    return "\n".join([*out, *_wrapped(letter.footer)]) + "\n"


def _wrapped(text: str, hang: str = "") -> list[str]:
    lines = textwrap.wrap(
        text, WIDTH, subsequent_indent=hang, break_long_words=False, break_on_hyphens=False, drop_whitespace=True
    )
    return lines or [""]


def html(letter: Letter) -> str:
    """The letter as one HTML page."""
    light, dark = _TONES.get(letter.tone, _TONES["medium"])
    banner = (
        f'<p class="banner" style="margin:MARGIN;padding:8px 12px;background:#f2d95c;color:#1a1a1a;'
        f'font-weight:700;border-radius:4px">{escape(letter.banner)}</p>\n'
        if letter.banner
        else ""
    )
    facts = "\n".join(_fact(k, v, k in _BIG) for k, v in letter.facts)
    sections = "\n".join(map(_section, letter.sections))
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
<div class="page" style="max-width:560px;margin:0 auto;padding:16px;{_FONT};font-size:16px;line-height:1.45;
background:#ffffff;color:#1b2126;overflow-wrap:anywhere">
{banner.replace("MARGIN", "0 0 12px")}
<div class="tone" style="border-left:5px solid {light};padding-left:12px;margin:0 0 14px">
<p class="soft" style="margin:0;color:#4a5560">{escape(letter.plant)}, {escape(letter.place)}</p>
<h1 style="margin:2px 0 0;font-size:22px;line-height:1.25;color:{light}">{escape(letter.headline)}</h1>
</div>
<p style="margin:0 0 12px">{escape(letter.lead)}</p>
<table role="presentation" style="border-collapse:collapse;width:100%;margin:0 0 8px">
{facts}
</table>
{sections}
{banner.replace("MARGIN", "20px 0 0")}
<p class="soft line" style="margin:20px 0 0;padding-top:10px;border-top:1px solid #d5dbe0;color:#4a5560;
font-size:14px">{escape(letter.footer)}</p>
</div>
</body>
</html>
"""


def _fact(key: str, value: str, big: bool) -> str:
    weight = "font-weight:700" if big else ""
    return (
        f'<tr>\n<td class="soft line" style="padding:6px 12px 6px 0;vertical-align:top;width:34%;color:#4a5560;'
        f'border-bottom:1px solid #e4e8eb">{escape(key)}</td>\n'
        f'<td class="line" style="padding:6px 0;vertical-align:top;border-bottom:1px solid #e4e8eb;'
        f'{weight}">{escape(value)}</td>\n</tr>'
    )


def _section(s: Section) -> str:
    head = f'<h2 style="margin:18px 0 4px;font-size:16px">{escape(s.heading)}</h2>\n'
    text = f'<p style="margin:0 0 6px">{escape(s.text)}</p>\n' if s.text else ""
    if s.mark == "caution":
        return (
            f'<div class="caution" style="margin:18px 0 0;padding:10px 12px;background:#fff6df;color:#3b2c00;'
            f'border:1px solid #c9982f;border-radius:4px">\n<h2 style="margin:0 0 4px;font-size:16px">'
            f"{escape(s.heading)}</h2>\n{text.replace('0 0 6px', '0')}</div>"
        )
    if s.mark == "code":
        lines = "".join(
            f'<p class="code" style="margin:0;padding:8px 10px;background:#eef1f3;color:#1b2126;border-radius:4px;'
            f'{_MONO};font-size:14px">{escape(x)}</p>\n'
            for x in s.lines
        )
        return head + text + lines
    items = "".join(f'<li style="margin:0 0 4px">{escape(x)}</li>\n' for x in s.lines)
    return head + text + (f'<ul style="margin:0;padding-left:20px">\n{items}</ul>' if items else "")
