"""`trend` on the creamery's first hours: its figures are those of the values that exports show, tag by tag."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

import pytest
from typer.testing import CliRunner

from daemon.app.commands import app
from daemon.app.trending import TrendRefused, trend
from daemon.core.reasons import quality, words
from daemon.core.say import in_plant_units
from daemon.report.readings import sheet_of
from daemon.store.figures import BAD
from daemon.store.history import History
from daemon.store.reader import Reader
from tests.support.creamery_store import creamery_store

RUN = CliRunner()
ALWAYS = 1 << 50


@pytest.fixture(scope="module")
def reader() -> Iterator[Reader]:
    with Reader(creamery_store()) as found:
        yield found


def test_a_trend_of_the_probe_is_that_of_what_an_export_shows(reader: Reader) -> None:
    last = reader.last()
    assert last is not None
    plant = reader.plant(last.plant)
    sheet = sheet_of(reader, plant, 0, ALWAYS)
    numbers = {c.tag: i for i, c in enumerate(sheet.columns) if not c.quality and c.tag.endswith((".probe", ".level"))}
    beside = {c.tag: i for i, c in enumerate(sheet.columns) if c.quality}
    rows = list(sheet.rows(reader, 0, ALWAYS))
    history = History(reader)
    assert {"B1.probe", "B2.probe"} <= numbers.keys()
    for tag, column in numbers.items():
        unit = history.use(tag).unit
        in_export = [r.cells[column] for r in rows]
        samples = list(history.range(tag, 0, ALWAYS))
        assert [s.value is None for s in samples] == [v is None for v in in_export]
        shown = [None if s.value is None else in_plant_units(s.value, unit, plant.plant.units)[0] for s in samples]
        assert shown == in_export
        if tag in beside:
            assert [words(s.reason) for s in samples] == [r.cells[beside[tag]] for r in rows]
        counted = [s for s in samples if s.value is not None and s.reason not in BAD]
        whole = history.whole(tag, 0, ALWAYS)
        assert whole is not None
        assert (whole.seen, whole.count) == (len(samples), len(counted))
        values = [s.value for s in counted if s.value is not None]
        assert (whole.least, whole.greatest) == (min(values), max(values))
        assert (whole.first, whole.last) == (values[0], values[-1])
        assert whole.mean == pytest.approx(math.fsum(values) / len(values), rel=1e-12)
        assert whole.good == sum(s.reason == 0 for s in counted)


def test_every_tag_of_the_plant_has_a_trend_equal_to_its_readings(reader: Reader) -> None:
    history = History(reader)
    with_readings = 0
    for tag in history.names():
        samples = list(history.range(tag, 0, ALWAYS))
        if not samples:
            continue
        with_readings += 1
        for points in (1, 7, 200):
            found = history.trend(tag, samples[0].at_ms, samples[-1].at_ms + 1, points)
            assert len(found.buckets) <= points
            assert sum(b.figures.seen for b in found.buckets) == len(samples)
            for b in found.buckets:
                inside = [s for s in samples if b.from_ms <= s.at_ms < b.to_ms]
                values = [s.value for s in inside if s.value is not None and quality(s.reason).value != "bad"]
                assert b.figures.count == len(values)
                if values:
                    assert (b.figures.least, b.figures.greatest) == (min(values), max(values)), tag
                    assert (b.figures.first, b.figures.last) == (values[0], values[-1]), tag
    assert with_readings > 30


def asked(*words: str) -> tuple[int, str]:
    done = RUN.invoke(app, ["trend", *words, "--store", str(creamery_store())])
    return done.exit_code, done.output


def test_the_command_prints_lines_and_json() -> None:
    code, text = asked("B1.probe", "--from", "-3h", "--points", "6")
    assert code == 0
    heads, *lines = text.splitlines()[1:]
    assert heads.split() == ["from", "least", "mean", "greatest", "last", "readings", "good"]
    assert 1 <= len(lines) <= 6
    code, text = asked("B1.probe", "--from", "-3h", "--points", "6", "--json")
    found: dict[str, Any] = json.loads(text)
    assert code == 0
    assert (found["tag"], found["unit"]) == ("B1.probe", "umho/cm")
    assert len(found["points"]) == len(lines)
    for p in found["points"]:
        assert ("least" in p) is (p["with_value"] > 0)
        assert p.get("least", 0) <= p.get("mean", 0) <= p.get("greatest", 0)
        assert p["from"] < p["to"]
    assert asked("B1.interlock", "--points", "2")[1].count("closed") >= 2


def test_what_it_cannot_answer_it_says() -> None:
    assert asked("B9.probe")[0] == 2
    assert "B1.probe" in asked("probe")[1]
    assert "Nothing of B1.probe" in asked("B1.probe", "--from", "2020-01-01", "--to", "2020-01-02")[1]
    with pytest.raises(TrendRefused, match="is not before"):
        trend(creamery_store(), "B1.probe", "now", "-3h", 5)
