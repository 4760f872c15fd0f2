"""Rules of the house that no other tool looks after: what lies at the top, who reads a clock, what start imports."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from collections.abc import Iterator
from importlib.metadata import files
from importlib.util import find_spec
from pathlib import Path

import pytest

import config
import daemon
import drivers
from daemon.app.names import NAMES, foreign_claims

ROOT = Path(__file__).resolve().parent.parent
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", *NAMES, "tests", "deploy"}
MADE_HERE = {"build", "dist", "var", "__pycache__"}  # in .gitignore: what runs leave behind
CLOCKS = {"daemon/core/clock.py", "drivers/wire_time.py"}
HEAVY = ("duckdb", "xlsxwriter", "typst", "aiosmtplib", "rich", "typer")
SOURCES = [path for name in NAMES for path in sorted((ROOT / name).rglob("*.py"))]


def test_nothing_else_lies_at_the_top() -> None:
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert found - MADE_HERE <= TOP
    assert found >= {"pyproject.toml", *NAMES}


def test_no_other_distribution_claims_our_names() -> None:
    assert foreign_claims() == []


installed = pytest.mark.skipif(
    "WATERSIDE_TESTS_INSTALLED" not in os.environ, reason="only deploy/test installs the wheel first"
)


@installed
def test_what_is_tested_is_the_installed_wheel() -> None:
    for package in (daemon, drivers, config):
        assert package.__file__ is not None
        assert Path(package.__file__).is_relative_to(sys.prefix)
        assert ROOT not in Path(package.__file__).parents or Path(sys.prefix).is_relative_to(ROOT)


@installed
def test_the_wheel_holds_every_file_of_the_three_packages() -> None:
    """Example plants and schemas too: a file the builder leaves out is missed only on the user's machine."""
    tree = {
        path.relative_to(ROOT).as_posix()
        for name in NAMES
        for path in (ROOT / name).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert "config/py.typed" in tree
    assert tree - {file.as_posix() for file in files("waterside") or ()} == set()


def clock_uses(source: str) -> list[str]:
    """Every place where a module reads a clock or sleeps, as `line: what`."""
    return [f"{node.lineno}: {what}" for node in ast.walk(ast.parse(source)) for what in _clock_use(node)]  # type: ignore[attr-defined]


def _clock_use(node: ast.AST) -> Iterator[str]:
    match node:
        case ast.Import(names=names):
            yield from (f"import {name.name}" for name in names if name.name == "time")
        case ast.ImportFrom(module="time"):
            yield "from time import"
        case ast.ImportFrom(module="asyncio", names=names):
            yield from ("from asyncio import sleep" for name in names if name.name == "sleep")
        case ast.Attribute(value=ast.Name(id="asyncio"), attr="sleep"):
            yield "asyncio.sleep"
        case ast.Attribute(value=ast.Name(id=what) | ast.Attribute(attr=what), attr="now" | "utcnow" | "today" as read):
            if what in {"datetime", "date", "dt"}:
                yield f"{what}.{read}"
        case ast.Attribute(value=ast.Name(id="loop"), attr="time"):
            yield "loop.time"
        case ast.Attribute(value=ast.Call(func=ast.Attribute(attr="get_running_loop")), attr="time"):
            yield "get_running_loop().time"


@pytest.mark.parametrize(
    "source",
    [
        "import time",
        "import time as t",
        "from time import monotonic",
        "import asyncio\nasync def f(): await asyncio.sleep(1)",
        "from asyncio import sleep",
        "import datetime\ndatetime.datetime.now(datetime.UTC)",
        "from datetime import date\ndate.today()",
        "import asyncio\nloop = asyncio.get_running_loop()\nloop.time()",
        "import asyncio\nasyncio.get_running_loop().time()",
    ],
)
def test_a_look_at_a_clock_is_seen(source: str) -> None:
    assert clock_uses(source)


def test_handing_time_on_is_no_look_at_a_clock() -> None:
    assert (
        clock_uses("from datetime import time, datetime\ndatetime.fromtimestamp(0)\nclock.elapsed()\nscan.time") == []
    )


def test_only_the_two_clock_files_read_a_clock_or_sleep() -> None:
    found = {str(path.relative_to(ROOT)): clock_uses(path.read_text("utf-8")) for path in SOURCES}
    assert {name for name in found if name in CLOCKS and found[name]} == CLOCKS
    assert {name: uses for name, uses in found.items() if uses and name not in CLOCKS} == {}


def service_modules() -> list[str]:
    """What the service may import at start: everything but the exports, the demo plant and the app's other commands."""
    names = [".".join(path.relative_to(ROOT).with_suffix("").parts) for path in SOURCES]
    names = [name.removesuffix(".__init__") for name in names if not name.endswith("__main__")]
    aside = ("daemon.report", "drivers.demo", "daemon.app.")
    light = [name for name in names if not name.startswith(aside)]
    return light + [name for name in ("daemon.app.cli", "daemon.app.service", "daemon.app.names") if name in names]


def test_nothing_the_service_imports_at_start_is_heavy() -> None:
    look = (
        "import importlib, sys\n"
        "for name in sys.argv[1].split():\n"
        "    importlib.import_module(name)\n"
        f"    heavy = [h for h in {HEAVY!r} if h in sys.modules]\n"
        "    if heavy: sys.exit(f'{name} imports {heavy} at its top')\n"
    )
    modules = service_modules()
    assert find_spec(modules[0]) is not None
    assert len(modules) > 15
    where = str(Path(config.__file__).parent.parent)  # the same copy that is tested here
    done = subprocess.run(
        [sys.executable, "-P", "-c", look, " ".join(modules)],
        env={**os.environ, "PYTHONPATH": where},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
