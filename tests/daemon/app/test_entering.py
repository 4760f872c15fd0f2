"""`waterside enter` as people type it, against the running service, and what is left of it afterwards."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import openpyxl

from daemon.store.reader import Reader
from tests.daemon.app.test_commands import waterside
from tests.support.living_peer import LivingPeer
from tests.support.plants import one_boiler
from tests.support.service import running

TESTS = """
[[test]]
target = "B1"
what = "hardness"
high = "2 ppm"
every = "1 d"
"""


def test_results_are_entered_judged_withdrawn_exported_and_survive_a_restart(tmp_path: Path) -> None:
    store, plant = tmp_path / "w.db", tmp_path / "plant.toml"

    def enter(*words: str) -> tuple[int, str]:
        done = waterside("enter", *words, "--by", "J. Ortiz", "--store", str(store))
        return done.returncode, done.stdout + done.stderr

    with LivingPeer(31) as peer:
        text = one_boiler(peer.tap.port, "200 ms") + TESTS
        plant.write_text(text.replace('units = "us"', 'units = "us"\nday = "00:00..23:59"'))
        with running(plant, store) as service:
            service.wait_groups(5)
            status = waterside("status", "--store", str(store)).stdout
            assert "tests due: B1 total hardness" in status
            code, said = enter("B1", "hardness", "20", "ppm", "--method", "drop test")
            assert code == 0, said
            assert "ABOVE its control range, at most 2 mg/L as CaCO3" in said
            with Reader(store) as reader:
                wrong = next(reader.manual()).act
            code, said = enter("B1", "hardness", "0.5 ppm", "--instead-of", str(wrong), "--why", "misread")
            assert code == 0, said
            assert "in its control range" in said
            code, said = enter("B1", "hardness", "0.5")
            assert code == 1
            assert said.startswith("total hardness wants a unit (mg/L, ppm,")
            code, said = enter("B7", "hardness", "1 ppm")
            assert code == 1
            assert 'nothing called "B7" to test; known here: B1, makeup' in said
            code, said = enter("--withdraw", str(wrong), "--why", "again")
            assert code == 1
            assert "withdrawn already" in said
            assert enter("--withdraw", "999", "--why", "x")[0] == 1
            assert enter("B1", "hardness")[0] == 2
            code, said = enter("B1", "cutoff_test", "failed")
            assert "FAILED" in said
            assert service.end() == 0
        with running(plant, store) as service:
            service.wait_groups(3)
            view = json.loads(waterside("status", "--store", str(store), "--json").stdout)["view"]
            shown = {(t["target"], t["what"]): (t["shown"], t["verdict"], t["due"], t["by"]) for t in view["tests"]}
            assert shown["B1", "hardness"] == ("0.5 mg/L as CaCO3", "in range", "", "J. Ortiz")
            assert shown["B1", "cutoff_test"] == ("failed", "failed", "", "J. Ortiz")
            assert any(a["kind"] == "safety_test_failed" for a in view["alarms"])
            assert service.end() == 0
    with Reader(store) as reader:
        assert [(e.event, e.name) for e in reader.journal() if e.kind == "test_out_of_range"] == [
            ("raised", "hardness"),
            ("returned", "hardness"),
        ]
        assert reader.integrity() == ()
    out = tmp_path / "out"
    for form in ("csv", "xlsx"):
        assert waterside("export", "--format", form, "--out", str(out), "--store", str(store)).returncode == 0
    with (out / "manual.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(r["result"], r["unit"], r["by"], bool(r["withdrawn by act"])) for r in rows] == [
        ("20", "ppm", "J. Ortiz", True),
        ("0.5", "ppm", "J. Ortiz", False),
        ("failed", "", "J. Ortiz", False),
    ]
    assert rows[0]["method and remarks"] == "by drop test"
    (book,) = out.glob("*.xlsx")
    page = openpyxl.load_workbook(book, read_only=True)["Manual"]
    assert [r[3] for r in page.iter_rows(min_row=2, values_only=True)] == [20, 0.5, "failed"]
    done = waterside("explain", "B1.hardness", "--store", str(store))
    assert "0.5 ppm" in done.stdout.splitlines()[0] + done.stdout.splitlines()[1]


def test_the_list_of_tests_is_shown() -> None:
    done = waterside("enter", "--tests")
    assert done.returncode == 0
    assert "sulphite" in done.stdout
    assert "low-water cut-off test: passed or failed" in done.stdout
