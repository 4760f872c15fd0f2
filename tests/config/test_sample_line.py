"""Flush by pipes and flow, shared probes, and what check says of signals that cannot be judged."""

from __future__ import annotations

import re

import pytest

from config.flush import BORE_M, flush_of, run_m3
from config.load import loads
from config.model import PipeRun
from tests.support.feed import HEAD, boiler
from tests.support.findings import findings
from tests.support.published import Row, rows, table

GPM = 231 * 0.0254**3 * 60  # m3/h, by the exact US gallon


def inches(row: Row) -> str:
    """ "NPS 1-1/4" as the plant file writes it."""
    found = re.search(r"NPS ([0-9/-]+)", row.text)
    assert found
    return f"{found[1]} in"


@pytest.mark.parametrize("row", rows("flow", "pipe inside diameter"), ids=str)
def test_inside_diameters_are_the_published_ones(row: Row) -> None:
    assert BORE_M[inches(row)] / 0.0254 == pytest.approx(row.number, abs=float(row.tolerance))


@pytest.mark.parametrize("row", rows("flow", "pipe volume per metre"), ids=str)
def test_a_metre_of_pipe_holds_what_is_published(row: Row) -> None:
    run = PipeRun.model_validate({"pipe": inches(row), "length": 1.0})
    assert run_m3(run) * 1000 == pytest.approx(row.number, rel=0.005)


@pytest.mark.parametrize("row", rows("flow", "plug-flow travel time of a sample line"), ids=str)
def test_three_line_volumes_at_the_published_travel_time(row: Row) -> None:
    length, flow = (float(re.search(rf"{key}=([0-9.]+)", row.text)[1]) for key in ("length", "flow"))  # type: ignore[index]
    sample = f'line = [{{ pipe = "{inches(row)}", length = "{length} ft" }}], flow = "{flow} gpm"'
    f = flush_of(loads(HEAD + boiler("timed", sample=sample)).plant.boilers[0])
    assert f.travel_s == pytest.approx(row.number, rel=0.005)
    assert f.seconds == pytest.approx(3 * row.number, rel=0.005)  # "allow three line volumes before trusting"


def test_a_written_flush_wins_a_bore_stands_for_a_size_and_the_valves_flow_for_the_lines() -> None:
    run = 'line = [{ bore = "0.622 in", length = "50 ft" }]'
    plain = flush_of(loads(HEAD + boiler("timed", sample='flush = "20 s"')).plant.boilers[0])
    assert (plain.seconds, plain.written, plain.reckoned_s) == (20, True, None)
    by_valve = 'command = "m.blow", travel = "10 s", opening_flow = "1 gpm"'
    f = flush_of(loads(HEAD + boiler("timed", sample=run, valve=by_valve)).plant.boilers[0])
    assert f.travel_s == pytest.approx(table("flow")["FL-037"].number, rel=0.005)
    more = flush_of(loads(HEAD + boiler("timed", sample=run + ", volumes = 5", valve=by_valve)).plant.boilers[0])
    assert more.seconds == pytest.approx(5 / 3 * f.seconds)
    assert flush_of(loads(HEAD + boiler("timed", sample='every = "1 h"')).plant.boilers[0]).seconds == 30


def said(text: str) -> str:
    return " | ".join(str(f) for f in findings(HEAD + text))


def test_check_says_what_flush_is_reckoned_and_when_the_written_one_is_short() -> None:
    run = 'line = [{ pipe = "1/2 in", length = "50 ft" }]'
    assert "flush is reckoned as 142 s: 3 line volumes of 3 L" in said(boiler("timed", sample=run + ', flow = "1 gpm"'))
    assert "20 s is shorter than the line asks for (142 s" in said(
        boiler("timed", sample=run + ', flow = "1 gpm", flush = "20 s"')
    )
    assert "pipes without a flow" in said(boiler("timed", sample=run))
    open_ = run + ', flow = "1 gpm", open = "60 s"'
    assert "wants longer than the flush of 142 s, or no reading is ever of the boiler; found 60 s" in said(
        boiler("timed", sample=open_)
    )


@pytest.mark.parametrize(
    ("sample", "text"),
    [
        ('line = [{ length = "50 ft" }]', "wants either pipe"),
        ('line = [{ pipe = "1/2 in", bore = "12 mm", length = "50 ft" }]', "wants either pipe"),
        ('line = [{ pipe = "3/8 in", length = "50 ft" }]', "3/8 in"),
        ('line = [{ pipe = "1/2 in", length = "0 ft" }]', "more than 0"),
        ("volumes = 0.5", "0.5"),
        ('flow = "12 kg/h"', "12 kg/h"),
    ],
)
def test_slips_in_a_sample_line_are_told(sample: str, text: str) -> None:
    assert text in said(boiler("timed", sample=sample))


def test_check_says_what_an_unsaid_signal_is_taken_for_and_whether_it_can_be_learned() -> None:
    unsaid = 'signal = "live", '
    assert "until it is learned from three pauses" in said(boiler("timed").replace(unsaid, ""))
    assert "no pause between samples to learn it from" in said(boiler("continuous").replace(unsaid, ""))
    assert "no pause between samples to learn it from" in said(boiler("timed", valve="").replace(unsaid, ""))


def test_check_says_what_a_signal_cannot_be_judged_for() -> None:
    assert "without water and steam_max it cannot be told" in said(boiler("continuous"))
    assert "a held signal is not judged for value stuck" in said(boiler("timed", signal="held"))
    whole = boiler("continuous", more='water = "8 t"\nsteam_max = "5 t/h"\n')
    assert "cannot be told when" not in said(whole)


def test_a_shared_probe_is_no_slip_where_the_valves_choose() -> None:
    one = boiler("timed")
    two = one.replace('"B1"', '"B2"').replace("m.blow", "m.opened").replace("m.limit", "m.low")
    assert "the probe is shared with B1: a reading belongs to the boiler whose valve is open" in said(one + two)
    assert "check both" not in said(one + two)
    blind = boiler("timed", valve="").replace('"B1"', '"B2"').replace("m.limit", "m.low")
    assert "it cannot be told whose water it sees" in said(one + blind)


def test_keys_that_say_nothing_are_told() -> None:
    assert "hottest: says nothing without" in said(boiler("timed", sample='hottest = "50 °C"'))
    flow = 'sample_flow = { contact = "m.alarm", closed_means = "flow" }\n'
    assert "proof of flow is used for a side-stream" in said(boiler("continuous", more=flow))
