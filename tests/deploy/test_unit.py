"""The unit file as systemd's own tools judge it."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
PROGRAM = "/opt/waterside/.venv/bin/waterside"


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """A copy whose program exists on this machine, as it does once installed."""
    program = tmp_path / "waterside"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    text = (DEPLOY / "waterside.service").read_text()
    assert f"ExecStart={PROGRAM} run /etc/waterside/plant.toml\n" in text
    copy = tmp_path / "waterside.service"
    copy.write_text(text.replace(PROGRAM, str(program)))
    return copy


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *arguments], capture_output=True, text=True, check=False)


def test_verify_has_nothing_to_say(unit: Path) -> None:
    done = analyze("verify", str(unit))
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_verify_would_see_a_key_that_does_not_exist(unit: Path) -> None:
    """It exits 0 on unknown keys, so the check above looks at the output; this shows that there is some."""
    unit.write_text(unit.read_text().replace("NoNewPrivileges=", "NoNewPrivilege="))
    assert "NoNewPrivilege" in analyze("verify", str(unit)).stderr


def test_exposure_is_at_most_2_of_10(unit: Path) -> None:
    done = analyze("security", "--offline=true", "--threshold=20", "--no-pager", str(unit))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Overall exposure level for waterside.service" in done.stdout


def test_every_serial_class_allowed_is_one_the_kernel_names_so() -> None:
    """Names as in /proc/devices; a misspelt class is only a warning in the journal, and then no adapter opens."""
    lines = (DEPLOY / "waterside.service").read_text().splitlines()
    allowed = {line.removeprefix("DeviceAllow=") for line in lines if line.startswith("DeviceAllow=")}
    assert allowed == {"char-ttyUSB rw", "char-ttyACM rw", "char-ttyS rw"}
    loaded = (DEPLOY / "waterside-serial.conf").read_text().splitlines()
    assert [line for line in loaded if not line.startswith("#")] == ["usbserial"]
