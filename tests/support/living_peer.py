"""A boiler house on modbus-tk that moves with every poll, and remembers what it served (`tests/peers/tk_living.py`).

A process of its own behind a tap: it outlives a service that is killed.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from types import TracebackType

from tests.support.taps import TcpTap

PROGRAM = Path(__file__).resolve().parent.parent / "peers" / "tk_living.py"


class LivingPeer:
    """The service polls `tap.port`. Input 0 conductivity, input 20 pulses (u16); discrete 0 off, 1 on."""

    def __init__(self, seed: int) -> None:
        self._seed = seed

    @property
    def served(self) -> list[int]:
        """The counts behind each answer so far, in order, not cut to 16 bits."""
        return [int(line) for line in Path(self._file.name).read_text().splitlines()]

    def __enter__(self) -> LivingPeer:
        self._file = tempfile.NamedTemporaryFile("w", suffix=".served")
        self._process = subprocess.Popen(
            [sys.executable, str(PROGRAM), str(self._seed), self._file.name],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout is not None
        port = self._process.stdout.readline().strip()
        assert port, "the peer said nothing"
        self.tap = TcpTap(int(port))
        self.tap.__enter__()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.tap.close()
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        try:
            self._process.wait(3)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._file.close()
