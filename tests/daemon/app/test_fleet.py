"""The fleet read back from a real time-series server to which two plants have copied."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from config.model import Copy
from daemon.app.commands import app
from daemon.app.fleet import FleetError, PlantSeen, asker, lines, read_fleet
from daemon.store.copying import Copier, Server
from daemon.store.records import Cursor
from tests.support.creamery_store import creamery_store
from tests.support.timeseries import TimeSeries


@pytest.fixture(scope="module")
def central(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TimeSeries]:
    with TimeSeries(tmp_path_factory.mktemp("fleet")) as server:
        c = Copier(creamery_store(), "quillmarsh-creamery", Server(Copy(url=server.url)), Cursor())
        while c.round().more:
            pass
        now = round(time.time() * 1000)
        alarm = "waterside_alarm,plant=north,target=B7"
        Server(Copy(url=server.url)).take(
            [
                f"waterside_log,plant=north alive=1,number=7 {now - 60_000}",
                f"waterside_reading,plant=north,tag=B7.cycles,target=B7 value=8.25,quality=0 {now - 60_000}",
                f"{alarm},kind=calibration_due,priority=low standing=1,quiet=0 {now - 90_000}",
                f"{alarm},kind=low_water,priority=highest standing=1,quiet=0 {now - 90_000}",
                f"{alarm},kind=low_water,priority=highest standing=0,quiet=0 {now - 80_000}",
                f"{alarm},kind=tank_low,priority=low standing=0,quiet=1 {now - 80_000}",
            ]
        )
        server.flush()
        yield server


def test_plants_alarms_cycles_and_calibrations_are_read_back(central: TimeSeries) -> None:
    found = {p.name: p for p in read_fleet(asker(central.url))}
    assert set(found) == {"north", "quillmarsh-creamery"}
    north = found["north"]
    assert 50 < time.time() - north.last_s < 200
    assert [(a["target"], a["kind"]) for a in north.alarms] == [("B7", "calibration_due")]
    assert (north.cycles, north.calibration_due, north.quiet) == ({"B7": 8.25}, ["B7"], 1)


def test_the_command_says_who_is_silent(central: TimeSeries) -> None:
    done = CliRunner().invoke(app, ["fleet", central.url])
    assert done.exit_code == 1
    assert "2 plants, 1 silent for more than 15 min" in done.output
    assert "north: last heard" in done.output and "B7 8.2 cycles" in done.output
    assert "quillmarsh-creamery: SILENT" in done.output
    rows = json.loads(CliRunner().invoke(app, ["fleet", central.url, "--json"]).output)
    assert [(r["plant"], r["silent"]) for r in rows] == [("north", False), ("quillmarsh-creamery", True)]


def test_a_server_that_is_none_is_named() -> None:
    with pytest.raises(FleetError, match="is not reached"):
        read_fleet(asker("http://127.0.0.1:9"))
    done = CliRunner().invoke(app, ["fleet", "http://127.0.0.1:9"])
    assert done.exit_code == 1 and "is not reached" in done.output


def test_a_fleet_in_order_is_two_lines_a_plant() -> None:
    text = lines([PlantSeen("a", last_s=1000.0, cycles={"B1": 7.04})], 1030.0, 900.0)
    assert text == ["1 plants, 0 silent for more than 15 min", "", "a: last heard 30 s ago; B1 7.0 cycles"]


def test_the_folder_of_the_fleet_names_what_is_sent() -> None:
    text = (Path(__file__).parents[3] / "deploy" / "fleet" / "README.md").read_text("utf-8")
    for name in ("waterside_reading", "waterside_alarm", "waterside_event", "waterside_blow", "waterside_log"):
        assert f"`{name}`" in text
