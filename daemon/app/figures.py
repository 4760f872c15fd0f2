"""Derived figures on a terminal: what each is, its value in the plant's units, and why it is not plainly good. Pure.

May import: daemon.app.view, daemon.core. The text library is imported when something is drawn.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from config.units import plain
from daemon.app.view import FigureView, View
from daemon.core.figure_tags import PACING
from daemon.core.say import System, say

_WELL: Final = ("", *PACING[:2])  # nothing is amiss, or nothing is known

if TYPE_CHECKING:
    from rich.console import RenderableType


def figure_text(f: FigureView, system: System) -> str:
    """ "5.63", "27.5 %", "as paced"; why there is nothing where there is nothing."""
    if f.word:
        return f.word
    if f.value is None:
        return f"none: {f.reason}"
    return say(f.value, f.unit, system) if f.unit else plain(f.value)


def figure_table(view: View) -> RenderableType:
    """All figures: where, what, value, and the reason of those that are uncertain."""
    from rich.table import Table

    system: System = "us" if view.units == "us" else "si"
    grid = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    for head in ("of", "figure", "value", ""):
        grid.add_column(head, header_style="dim", overflow="fold")
    last = ""
    for f in view.figures:
        unsure = f"uncertain: {f.reason}" if f.quality == "uncertain" else ""
        grid.add_row("" if f.target == last else f.target, f.label, figure_text(f, system), unsure)
        last = f.target
    return grid


def odd_line(view: View) -> str:
    """ "not as paced: amine (ran too much) · ... --figures"; "" where there are no figures."""
    if not view.figures:
        return ""
    odd = [f"{f.target} ({f.word})" for f in view.figures if f.name.endswith(".pacing") and f.word not in _WELL]
    more = "cycles, blowdown, makeup and chemical feed of the last 24 hours: --figures"
    return f"pumps not as paced: {', '.join(odd)} · {more}" if odd else more


def cycles_line(view: View) -> str:
    """ "cycles, apparent: B1 5.63, B2 5.99 (uncertain)"; "" where none can be told."""
    found = [f for f in view.figures if f.name == f"{f.target}.cycles_apparent" and f.value is not None]
    said = [f"{f.target} {plain(f.value or 0.0)}" + (" (uncertain)" if f.quality == "uncertain" else "") for f in found]
    return f"cycles, apparent: {', '.join(said)}" if said else ""
