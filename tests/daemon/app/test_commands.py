"""The command line as people type it: help, exit codes, JSON, what is said when something is not there."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest

import config
from daemon.app.exporting import ExportError, instant_ms
from daemon.store.reader import Reader
from tests.support.creamery_store import creamery_store
from tests.support.living_peer import LivingPeer
from tests.support.plants import one_boiler
from tests.support.service import running

COMMANDS = (
    *("run", "demo", "check", "schema", "status", "ack", "enter", "note", "calibrate", "dial", "explain"),
    *("out", "back", "shelve", "unshelve"),
    *("export", "replay", "loops", "scan"),
)
EXAMPLES = Path(config.__file__).parent / "examples"


def waterside(*words: str, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-P", "-m", "daemon", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, cwd=folder)


def test_every_command_has_help_with_an_example() -> None:
    whole = waterside("--help")
    assert whole.returncode == 0
    for name in COMMANDS:
        assert name in whole.stdout
        done = waterside(name, "--help")
        assert done.returncode == 0, done.stderr
        assert f"Example: waterside {name}" in " ".join(done.stdout.split()), name


@pytest.mark.parametrize("words", [["paint"], ["check"], ["ack", "soon"], ["run"], ["export", "--format", "doc"]])
def test_misuse_is_2(words: list[str], tmp_path: Path) -> None:
    assert waterside(*words, folder=tmp_path).returncode == 2


@pytest.mark.parametrize("name", ["quillmarsh.toml", "smallest.toml"])
def test_check_has_notes_but_no_errors_for_the_examples(name: str) -> None:
    done = waterside("check", str(EXAMPLES / name))
    assert done.returncode == 0, done.stdout
    assert "0 errors" in done.stdout
    found = json.loads(waterside("check", str(EXAMPLES / name), "--json").stdout)
    assert found["errors"] == 0


def test_check_lists_every_error_and_is_1(tmp_path: Path) -> None:
    text = one_boiler(502).replace("flush", "flsh").replace('zone = "America/Chicago"', 'zone = "Mars/Olympus"')
    text = text.replace('pressure = "120 psig"', 'pressure = "120 furlongs"')
    (tmp_path / "plant.toml").write_text(text)
    done = waterside("check", "plant.toml", folder=tmp_path)
    assert done.returncode == 1
    errors = [line for line in done.stdout.splitlines() if "ERROR" in line]
    assert len(errors) == 2
    assert any("plant.toml:3" in e and "Mars/Olympus" in e for e in errors)
    assert any("120 furlongs" in e for e in errors)
    assert waterside("check", "nowhere.toml", folder=tmp_path).returncode in (1, 2)


def test_check_says_loudly_that_there_is_no_set_point(tmp_path: Path) -> None:
    text = one_boiler(502).replace('set_point = "3000 uS/cm"\n', "").replace('differential = "100 uS/cm"\n', "")
    (tmp_path / "plant.toml").write_text(text)
    done = waterside("check", "plant.toml", folder=tmp_path)
    assert done.returncode == 0
    assert any("WARNING" in line and "set point" in line for line in done.stdout.splitlines())


def test_schema_is_json() -> None:
    found = json.loads(waterside("schema").stdout)
    assert {"plant", "link", "module", "boiler"} <= found["properties"].keys()


def test_status_of_a_store_nobody_runs_says_so_and_is_1() -> None:
    done = waterside("status", "--store", str(creamery_store()))
    assert done.returncode == 1
    assert "is not running" in done.stdout
    assert "B1" in done.stdout
    found = json.loads(waterside("status", "--store", str(creamery_store()), "--json").stdout)
    assert found["running"] is False
    assert [b["name"] for b in found["view"]["boilers"]] == ["B1", "B2"]
    assert found["mails"]["waiting"] > 0


def test_no_store_is_misuse_and_says_how_to_name_one(tmp_path: Path) -> None:
    for words in (["status"], ["export"], ["ack", "1"]):
        done = waterside(*words, "--store", "nowhere.db", folder=tmp_path)
        assert done.returncode == 2
        assert "--store" in done.stderr


@pytest.mark.parametrize("since", ["--from=-2h", "--from -2h"])
def test_export_takes_relative_times_as_its_help_writes_them(tmp_path: Path, since: str) -> None:
    words = ["export", *since.split(), "--format", "xlsx", "--out", str(tmp_path), "--store", str(creamery_store())]
    done = waterside(*words)
    assert done.returncode == 0, done.stderr
    (file,) = tmp_path.glob("*.xlsx")
    assert str(file) in done.stdout
    assert openpyxl.load_workbook(file, read_only=True).sheetnames[0] == "Summary"


def test_export_and_replay_from_the_command_line(tmp_path: Path) -> None:
    done = waterside("export", "--format", "raw", "--out", str(tmp_path / "raw"), "--store", str(creamery_store()))
    assert done.returncode == 0, done.stderr
    raw = tmp_path / "raw"
    begun = ["--state", str(raw / "state.txt")] if (raw / "state.txt").exists() else []
    done = waterside(
        "replay", str(raw / "plant.toml"), str(raw / "counts.csv.gz"), "--out", str(tmp_path / "out"),
        "--acts", str(raw / "acts.jsonl"), *begun,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["groups"] > 100
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["alarms.csv", "readings.parquet", "summary.json"]


def test_export_explains_a_time_it_cannot_read(tmp_path: Path) -> None:
    done = waterside("export", "--from", "last tuesday", "--out", str(tmp_path), "--store", str(creamery_store()))
    assert done.returncode == 1
    assert '"-24h"' in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_times_are_the_plants_own() -> None:
    from zoneinfo import ZoneInfo

    zone = ZoneInfo("America/Chicago")
    assert instant_ms("2026-11-01 00:30", zone, 0) == 1793511000000  # still daylight time: UTC-5
    assert instant_ms("2026-11-01 12:00", zone, 0) == 1793556000000  # standard time: UTC-6
    assert instant_ms("-2d", zone, 200_000_000) == 200_000_000 - 172_800_000
    assert instant_ms("2026-11-01T12:00:00+00:00", zone, 0) == 1793534400000
    with pytest.raises(ExportError):
        instant_ms("-2w", zone, 0)


def test_the_service_is_asked_and_acts_are_answered(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    (tmp_path / "plant.toml").write_text("")
    with LivingPeer(31) as peer:
        (tmp_path / "plant.toml").write_text(one_boiler(peer.tap.port, "200 ms"))
        with running(tmp_path / "plant.toml", store) as service:
            service.wait_groups(5)
            found = json.loads(waterside("status", "--store", str(store), "--json").stdout)
            assert found["running"] is True
            assert found["view"]["modules"][0]["answers"] is True
            done = waterside("note", "cleaned strainer", "--target", "B1", "--by", "J. Ortiz", "--store", str(store))
            assert done.returncode == 0, done.stderr
            assert "by J. Ortiz" in done.stdout
            done = waterside("ack", "99", "--store", str(store))
            assert done.returncode == 1
            assert "no alarm 99 stands" in done.stderr
            assert waterside("export", "--from=-1h", "--format", "csv", "--out", str(tmp_path / "out"), "--store",
                             str(store)).returncode == 0  # fmt: skip
            assert service.end() == 0
    done = waterside("ack", "1", "--store", str(store))
    assert done.returncode == 1
    assert "not running" in done.stderr
    with Reader(store) as reader:
        assert [e.by for e in reader.journal() if e.kind == "note"] == ["J. Ortiz"]
