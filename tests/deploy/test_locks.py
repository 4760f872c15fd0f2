"""The locks: complete, hashed, of one mind, and naming no registry."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
RUNTIME, TESTS = "requirements.lock", "requirements-dev.lock"


def normal(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def pins(lock: str) -> dict[str, str]:
    """Name to version of a lock; every line is a pin or a hash of the pin above, and no pin goes without a hash."""
    found: dict[str, str] = {}
    hashes: dict[str, int] = {}
    name = ""
    for line in (ROOT / "deploy" / lock).read_text().splitlines():
        if pin := re.fullmatch(r"([a-z0-9-]+)==(\S+)( ; [^\\]+?)? \\", line):
            name = pin[1]
            found[name], hashes[name] = pin[2], 0
        else:
            assert re.fullmatch(r"    --hash=sha256:[0-9a-f]{64}( \\)?", line), line
            hashes[name] += 1
    assert [name for name, count in hashes.items() if count == 0] == []
    return found


def wanted(*groups: str) -> set[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    lines = list(project["project"]["dependencies"])
    for group in groups:
        lines += project["dependency-groups"][group]
    return {normal(re.split(r"[\[<>=~! ;]", line, maxsplit=1)[0]) for line in lines}


@pytest.mark.parametrize(("lock", "groups"), [(RUNTIME, ("build",)), (TESTS, ("build", "dev"))])
def test_a_lock_pins_all_that_the_project_asks_for(lock: str, groups: tuple[str, ...]) -> None:
    assert wanted(*groups) - pins(lock).keys() == set()


def test_the_tests_run_on_the_versions_that_users_get() -> None:
    assert pins(RUNTIME).items() - pins(TESTS).items() == set()


def test_the_fixed_versions_are_those_of_the_project() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    lines = [*project["project"]["dependencies"], *project["dependency-groups"]["dev"]]
    fixed = dict(re.sub(r"\[.*?\]", "", line).split("==") for line in lines if "==" in line)
    assert {name: pins(TESTS)[normal(name)] for name in fixed} == fixed
