"""`waterside performance` on a real store."""

from __future__ import annotations

import json

from typer.testing import CliRunner

from daemon.app.commands import app
from tests.support.creamery_store import creamery_store


def run(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["performance", "--store", str(creamery_store()), *words])
    return done.exit_code, done.output


def test_the_report_of_a_stored_stretch() -> None:
    code, text = run()
    assert code == 0, text
    assert "(America/Chicago)" in text and "floods                 0" in text and "most frequent" in text
    code, told = run("--json")
    found = json.loads(told)
    assert code == 0 and found["raised"] > 3
    assert found["raised"] == sum(found["priorities"].values()) == sum(d["raised"] for d in found["days"])
    assert f"raised                 {found['raised']}:" in text


def test_a_time_in_which_nothing_was_stored_is_said() -> None:
    code, text = run("--from", "2001-01-01", "--to", "2001-02-01")
    assert code == 1 and "Nothing was stored in that time" in text
    code, text = run("--from", "soon")
    assert code == 2 and "A time wants" in text
