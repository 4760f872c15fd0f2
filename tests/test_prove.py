"""The runner of benchmarks and campaigns, and that every registered row leads somewhere."""

from __future__ import annotations

import json
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from tests.prove import TABLE, Row, main


@pytest.fixture
def table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, Row]:
    monkeypatch.syspath_prepend(str(tmp_path))
    for name, figures in {
        "prove_good": "{'passed': True, 'size': 1 if quick else 9}",
        "prove_bad": "{'passed': False}",
        "prove_mute": "{}",
    }.items():
        monkeypatch.delitem(sys.modules, name, raising=False)
        (tmp_path / f"{name}.py").write_text(f"def main(quick): print('note'); return {figures}\n")
    return {name: Row(f"prove_{name}", f"about {name}") for name in ("good", "bad", "mute")}


def test_the_last_line_is_the_figures(table: dict[str, Row], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["good", "--quick"], table) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert json.loads(last) == {"name": "good", "quick": True, "passed": True, "size": 1}


def test_a_run_that_did_not_pass_exits_1(table: dict[str, Row], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bad"], table) == 1
    assert json.loads(capsys.readouterr().out.splitlines()[-1])["passed"] is False


def test_a_module_that_does_not_say_whether_it_passed_is_an_error(table: dict[str, Row]) -> None:
    with pytest.raises(TypeError, match="prove_mute"):
        main(["mute"], table)


def test_an_unknown_name_exits_2_and_says_where_the_names_are(
    table: dict[str, Row], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["nothing"], table) == 2
    assert "--list" in capsys.readouterr().err


def test_the_list_has_a_line_for_each(table: dict[str, Row], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--list"], table) == 0
    assert capsys.readouterr().out == "good  about good\nbad   about bad\nmute  about mute\n"


def test_every_row_names_a_module_that_exists() -> None:
    assert [name for name, row in TABLE.items() if find_spec(row.module) is None] == []
