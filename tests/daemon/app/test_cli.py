"""`run` without the command-line library: the same words mean the same, and a slip goes to the library."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.app.cli import plain_run
from tests.support.living_peer import LivingPeer
from tests.support.plants import one_boiler
from tests.support.service import running


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        ("run p.toml", ("p.toml", None, None)),
        ("run p.toml --store s.db", ("p.toml", Path("s.db"), None)),
        ("run --store=s.db p.toml --ledger-fd 7", ("p.toml", Path("s.db"), 7)),
        ("run --ledger-fd=12 p.toml", ("p.toml", None, 12)),
    ],
)
def test_a_plain_run(words: str, meant: object) -> None:
    assert plain_run(words.split()) == meant


@pytest.mark.parametrize(
    "words",
    [
        "",
        "run",
        "run --help",
        "run p.toml q.toml",
        "run p.toml --store",
        "run p.toml --store --ledger-fd",
        "run p.toml --store=",
        "run p.toml --ledger-fd x",
        "run p.toml --ledger-fd -1",
        "run p.toml --stor s.db",
        "run p.toml -h",
        "demo p.toml",
    ],
)
def test_all_else_is_left_to_the_library(words: str) -> None:
    assert plain_run(words.split()) is None


def test_a_run_loads_neither_library_nor_screen(tmp_path: Path) -> None:
    look = (
        "import sys; from daemon.app.cli import main\n"
        "try: main(['run', 'nowhere.toml'])\n"
        "finally: print(sorted({'typer', 'rich', 'click'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-P", "-c", look], capture_output=True, text=True, cwd=tmp_path)
    assert done.returncode == 1
    assert done.stdout == "[]\n"


def test_a_foreign_claim_on_our_names_is_told_once_readings_are_stored(tmp_path: Path) -> None:
    other = tmp_path / "other"
    (other / "other-1.0.dist-info").mkdir(parents=True)
    (other / "other-1.0.dist-info" / "METADATA").write_text("Metadata-Version: 2.1\nName: other\nVersion: 1.0\n")
    (other / "other-1.0.dist-info" / "RECORD").write_text("config/__init__.py,,\n")
    plant = tmp_path / "plant.toml"
    with LivingPeer(5) as peer:
        plant.write_text(one_boiler(peer.tap.port))
        paths = ":".join([*filter(None, [os.environ.get("PYTHONPATH")]), str(other)])
        with running(plant, tmp_path / "s.db", {"PYTHONPATH": paths}) as service:
            service.wait_log("The name 'config' is also claimed by the distribution other 1.0")
            assert service.groups
            assert service.end() == 0
            assert service.log.count("also claimed") == 1
