"""A serial line whose bytes take the time that they take on the pair (`tests/peers/rs485_line.c`)."""

from __future__ import annotations

import json
import subprocess
from types import TracebackType
from typing import Any, Self

from tests.support.modbus_peers import compiled


class PacedLine:
    """`host` and `device` are the two ends, pseudo-terminals: open them with parity none."""

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(
            [compiled("rs485_line.c", "util")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        assert self._process.stdout is not None
        self.host = self._process.stdout.readline().strip()
        self.device = self._process.stdout.readline().strip()
        assert self.device, "the line did not open"
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(5)
        self._process.stdout.close()

    def set(self, baud: int, turnaround_ms: float = 0.0, strict: bool = False) -> None:
        """From now on: bit/s, 11 bits a character; ms a module thinks; `strict`: it ignores what comes too soon."""
        self._command(f"set {baud} {round(turnaround_ms * 1000)} 1 0 {int(strict)}")

    def counts(self) -> dict[str, Any]:
        """Requests, how many of them began before the silence was over, and more; begins to count anew."""
        return self._command("stats")

    def _command(self, text: str) -> dict[str, Any]:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(text + "\n")
        found: dict[str, Any] = json.loads(self._process.stdout.readline())
        return found
