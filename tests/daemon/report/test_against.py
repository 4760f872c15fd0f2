"""Which alarms would appear, vanish or move under another plant file."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.app.commands import app
from daemon.app.stepping import advance_many
from daemon.core.outcome import Entry
from daemon.report.against import compare, stretches
from daemon.report.replay import ReplayError, replay
from drivers.demo.recording import record, write_csv
from drivers.demo.scenario import DEFAULT_START_MS
from tests.support.recordings import creamery

T0 = 1_793_797_200_000
MIN = 60_000


def entry(at_min: float, event: str, number: int = 1, kind: str = "conductivity_high", target: str = "B1") -> Entry:
    return Entry(T0 + round(at_min * MIN), number, target, kind, "", event, "", "high")


def told(ours: list[Entry], other: list[Entry]) -> list[tuple[str, str]]:
    return [(d.what, (d.ours or d.other).raised.kind) for d in compare(ours, other)]  # type: ignore[union-attr]


def test_alarms_are_paired_by_what_they_are_and_when() -> None:
    ours = [entry(0, "raised"), entry(30, "returned"), entry(100, "raised", 2), entry(130, "returned", 2)]
    assert told(ours, ours) == [("stays", "conductivity_high")] * 2
    later = [entry(5, "raised"), entry(30, "returned")]
    assert told(ours, later) == [("moves", "conductivity_high"), ("vanishes", "conductivity_high")]
    assert told(later, ours) == [("moves", "conductivity_high"), ("appears", "conductivity_high")]
    elsewhere = [entry(0, "raised", target="B2"), entry(30, "returned", target="B2")]
    assert sorted(told(ours[:2], elsewhere)) == [("appears", "conductivity_high"), ("vanishes", "conductivity_high")]


def test_one_long_alarm_and_two_short_ones_in_its_time() -> None:
    long = [entry(0, "raised"), entry(200, "returned")]
    short = [entry(0, "raised"), entry(20, "returned"), entry(60, "raised", 2), entry(80, "returned", 2)]
    assert told(long, short) == [("moves", "conductivity_high"), ("appears", "conductivity_high")]


def test_what_still_stands_has_no_end() -> None:
    (found,) = stretches([entry(0, "raised"), entry(3, "acknowledged")]).values()
    assert found[0].to_ms is None
    assert told([entry(0, "raised")], [entry(0, "raised"), entry(9, "returned")]) == [("moves", "conductivity_high")]


@pytest.fixture(scope="module")
def raw(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("raw") / "counts.csv.gz"
    write_csv(path, record(DEFAULT_START_MS, 3.0))
    return path


def test_the_same_file_changes_nothing(raw: Path, tmp_path: Path) -> None:
    summary = replay(creamery(), raw, tmp_path, against=creamery(), advance=advance_many)
    found = summary["against"]
    assert (found["appears"], found["vanishes"], found["moves"], found["alarms"]) == (0, 0, 0, {})
    assert found["stays"] == sum(summary["raised"].values()) > 3


def test_by_the_command_line_with_a_kind_switched_off(raw: Path, tmp_path: Path) -> None:
    plant, other = tmp_path / "plant.toml", tmp_path / "other.toml"
    plant.write_text(creamery().text)
    other.write_text(creamery().text + "\n[alarms.valve_stuck_shut]\nenabled = false\n")
    out = tmp_path / "out"
    done = CliRunner().invoke(app, ["replay", str(plant), str(raw), "--out", str(out), "--against", str(other)])
    assert done.exit_code == 0, done.output
    summary = json.loads((out / "summary.json").read_text("utf-8"))
    gone = [k for k, v in summary["against"]["alarms"].items() if "vanishes" in v]
    assert gone and all(k.endswith("/valve_stuck_shut") for k in gone)
    with (out / "against.csv").open(encoding="utf-8", newline="") as f:
        rows = list(csv.DictReader(f))
    assert {r["what"] for r in rows} == {"vanishes"}
    assert all(r["raised"] and not r["raised_by_other"] for r in rows)


def test_a_recording_with_a_column_of_neither_is_refused(raw: Path, tmp_path: Path) -> None:
    path = tmp_path / "counts.csv"
    path.write_text("time,panel.nothing\n2026-11-25T06:00:00Z,1\n")
    with pytest.raises(ReplayError, match=r"wants module\.channel of the plant"):
        replay(creamery(), path, tmp_path / "out", against=creamery(), advance=advance_many)
