"""Derived figures on the screen and for programs."""

from __future__ import annotations

import json
from dataclasses import replace
from io import StringIO

from rich.console import Console

from daemon.app.figures import cycles_line, figure_table, odd_line
from daemon.app.live import table
from daemon.app.status import read_status, view_from_json
from daemon.app.view import View, view_of
from daemon.engine import start, step
from tests.support.creamery_store import creamery_store
from tests.support.recordings import creamery, groups


def seen() -> View:
    plant = creamery().plant
    state, _ = step(start(plant, 1), groups(3.5))
    return view_of(plant, state, now_ms=state.cells.senses.at)


def drawn(what: object, width: int = 150) -> str:
    out = StringIO()
    Console(file=out, width=width, color_system=None).print(what)
    return out.getvalue()


def test_status_says_each_figure_with_its_label_its_unit_and_why_it_is_uncertain() -> None:
    text = drawn(figure_table(seen()))
    lines = {" ".join(line.split()) for line in text.splitlines()}
    assert any(x.startswith("B1 cycles of concentration, apparent (by conductivity) 5.") for x in lines)
    assert any("surface blowdown, % of feedwater" in x and "a figure of the plant file" in x for x in lines)
    assert any("surface blowdown, % of steam" in x for x in lines)
    assert any(x.startswith("scavenger commanded in 24 h") and "less than a day watched" in x for x in lines)
    assert any(x.startswith("fed in 24 h") and "US gal" in x for x in lines)
    assert any(x == "pacing: with blow as paced" for x in lines)


def test_the_live_table_says_the_cycles() -> None:
    line = cycles_line(seen())
    assert line.startswith("cycles, apparent: B1 5.")
    assert line.endswith("(uncertain)")
    assert line in drawn(table(seen(), 150))


def test_the_view_goes_through_json_with_its_figures() -> None:
    view = seen()
    assert view_from_json(json.loads(json.dumps(view.as_json()))) == view


def test_a_stopped_service_tells_the_figures_it_left() -> None:
    view = read_status(creamery_store()).view
    assert view is not None
    cycles = next(f for f in view.figures if f.name == "B1.cycles_apparent")
    assert cycles.value is not None
    assert 4 < cycles.value < 8
    assert "apparent" in cycles.about


def test_status_is_short_and_names_a_pump_that_is_not_as_paced() -> None:
    view = seen()
    assert odd_line(view) == "cycles, blowdown, makeup and chemical feed of the last 24 hours: --figures"
    amiss = tuple(replace(f, word="ran too little") if f.name == "amine.pacing" else f for f in view.figures)
    assert odd_line(replace(view, figures=amiss)).startswith("pumps not as paced: amine (ran too little) · cycles")
    assert odd_line(replace(view, figures=())) == ""
