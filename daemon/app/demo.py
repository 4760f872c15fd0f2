"""The demo: the simulated boiler house as a process of its own, and the service connected to it as to any plant.

May import: config, drivers.demo.plant, daemon.app. Plant time runs at `speed`; both processes count it from the same
reading of the machine's monotonic clock.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.core.clock import monotonic


class DemoError(Exception):
    """The simulated boiler house did not start; the text says why."""


@dataclass(frozen=True, slots=True)
class DemoPlant:
    """A running boiler house: where its plant file is, when its plant time began, on which monotonic reading."""

    plant_file: Path
    start_ms: int
    origin: float


@contextmanager
def boiler_house(speed: float, start_ms: int, folder: Path, port: int = 0) -> Iterator[DemoPlant]:
    """Start the boiler house; it ends with the block, and with this process whatever becomes of it."""
    from drivers.demo.plant import plant_text

    folder.mkdir(parents=True, exist_ok=True)
    origin = monotonic()
    with tempfile.TemporaryDirectory(prefix="waterside-demo-") as scratch:
        announce = Path(scratch) / "boiler-house.json"
        command = [sys.executable, "-P", "-m", "drivers.demo", "--port", str(port), "--speed", repr(speed)]
        command += ["--start", str(start_ms), "--origin", repr(origin), "--announce", str(announce), "--lifeline"]
        log = (folder / "boiler-house.log").open("wb")
        house = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=log, stderr=log, start_new_session=True)
        try:
            said = _announced(house, announce, folder / "boiler-house.log")
            plant_file = folder / "quillmarsh.toml"
            plant_file.write_text(plant_text(int(said["port"]), str(said["pty"])), "utf-8")
            yield DemoPlant(plant_file, start_ms, origin)
        finally:
            if house.stdin:
                house.stdin.close()
            house.terminate()
            try:
                house.wait(5)
            except subprocess.TimeoutExpired:
                house.kill()
                house.wait()
            log.close()


def _announced(house: subprocess.Popen[bytes], announce: Path, log: Path) -> dict[str, Any]:
    """Wait for the boiler house to say where it listens."""
    end = monotonic() + 20.0
    while monotonic() < end:
        if announce.exists():
            found: dict[str, Any] = json.loads(announce.read_text("utf-8"))
            return found
        try:
            code = house.wait(0.05)
        except subprocess.TimeoutExpired:
            continue
        raise DemoError(f"The simulated boiler house ended with code {code}: {log.read_text('utf-8')[-500:]}")
    raise DemoError(f"The simulated boiler house did not start within 20 s; its log is {log}.")
