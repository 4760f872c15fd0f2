"""What the set-up commands say on a machine that lacks something. The whole way is what deploy/test itself walks."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
TOOLS = (
    "bash",
    "cat",
    "date",
    "dirname",
    "find",
    "flock",
    "id",
    "mkdir",
    "sed",
    "sha256sum",
    "sleep",
    "sort",
    "tail",
    "xargs",
)


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A copy of the scripts, and beside it a path with the plainest tools and no Python."""
    tools = tmp_path / "tools"
    tools.mkdir()
    for name in TOOLS:
        found = shutil.which(name)
        assert found is not None, name
        (tools / name).symlink_to(found)
    shutil.copytree(DEPLOY, tmp_path / "house" / "deploy")
    return tmp_path


def run(bare: Path, script: str, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(bare / "tools" / "bash"), str(bare / "house" / "deploy" / script), *arguments],
        env={"PATH": str(bare / "tools"), **environment},
        cwd=bare,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


def fake_python(bare: Path, name: str, script: str) -> None:
    path = bare / "tools" / name
    path.write_text(f"#!{bare}/tools/bash\n{script}\n")
    path.chmod(0o755)


@pytest.mark.parametrize("script", ["start", "test"])
def test_without_python_the_line_that_installs_it_is_printed(bare: Path, script: str) -> None:
    fake_python(bare, "python3", "exit 1")  # an older Python answers the question for 3.11 with 1
    # deploy/test asks for the Debian packages first; with all of them there it gets to the same words.
    fake_python(bare, "dpkg-query", "echo installed")
    done = run(bare, script)
    assert done.returncode == 1
    assert "Python 3.11 or later is needed" in done.stderr
    assert "apt-get install python3 python3-venv" in done.stderr


def test_a_plant_file_that_is_not_there_stops_before_anything_is_set_up(bare: Path) -> None:
    done = run(bare, "start", "nowhere.toml")
    assert done.returncode == 1
    assert "nowhere.toml" in done.stderr
    assert not (bare / "house" / ".venv").exists()


@pytest.mark.parametrize("user", ["1000"])
def test_without_root_missing_debian_packages_stop_the_tests_with_the_line(bare: Path, user: str) -> None:
    fake_python(bare, "dpkg-query", 'case "${@: -1}" in gcc) echo installed ;; *) exit 1 ;; esac')
    (bare / "tools" / "id").unlink()
    fake_python(bare, "id", f"echo {user}")
    done = run(bare, "test")
    assert done.returncode == 1
    [line] = [line for line in done.stderr.splitlines() if "apt-get install" in line]
    names = line.split()[line.split().index("--no-install-recommends") + 1 :]
    assert "libmodbus-dev" in names
    assert "gcc" not in names


def test_a_step_that_fails_names_its_log_and_the_log_has_the_words(bare: Path) -> None:
    fake_python(bare, "python3", '[[ "$*" == *"-m venv"* ]] && { echo the disk is full >&2; exit 3; }; echo "$0"')
    (bare / "tools" / "rm").symlink_to(shutil.which("rm") or "")
    done = run(bare, "start", PYTHON=str(bare / "tools" / "python3"))
    assert done.returncode == 1
    log = bare / "house" / "var" / "log" / "set-up-start.log"
    assert str(log) in done.stderr
    assert "the disk is full" in log.read_text()


def test_options_that_make_no_sense_are_refused(bare: Path) -> None:
    assert run(bare, "test", "--lint", "tests/deploy").returncode == 1


@pytest.mark.parametrize("script", ["start", "test", "prove", "install"])
def test_help_is_the_head_of_the_script(bare: Path, script: str) -> None:
    done = run(bare, script, "--help")
    assert done.returncode == 0
    assert f"deploy/{script}" in done.stdout
    assert "source" not in done.stdout


def test_the_scripts_may_be_started() -> None:
    scripts = [*(DEPLOY / name for name in ("start", "test", "prove", "install")), DEPLOY.parent / ".ci" / "run"]
    assert [path for path in scripts if not os.access(path, os.X_OK)] == []
