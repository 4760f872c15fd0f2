"""Debian's victoria-metrics as the central time-series server, on a port of its own; stopped and started again."""

from __future__ import annotations

import json
import math
import shutil
import signal
import socket
import subprocess
import time
import urllib.parse
import urllib.request
from pathlib import Path
from types import TracebackType
from typing import Any

from tests.support.mailserver import need


class TimeSeries:
    """The server; `url` of it. What it has taken outlives `stop`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> TimeSeries:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()

    def start(self) -> None:
        program = need("victoria-metrics", "victoria-metrics")
        log = (self.folder / "timeseries.log").open("ab")
        self._process = subprocess.Popen(
            [
                program,
                f"-storageDataPath={self.folder / 'data'}",
                f"-httpListenAddr=127.0.0.1:{self.port}",
                "-retentionPeriod=100y",
                "-search.latencyOffset=0s",
                "-dedup.minScrapeInterval=1ms",
                "-search.maxPointsPerTimeseries=1000000",
                "-memory.allowedBytes=256MB",
                "-loggerLevel=WARN",
            ],
            stdout=log,
            stderr=log,
        )
        log.close()
        for _ in range(400):
            try:
                with urllib.request.urlopen(f"{self.url}/health", timeout=2):
                    return
            except OSError:
                if self._process.poll() is not None:
                    break
                time.sleep(0.05)
        raise AssertionError(f"the time-series server did not start: {(self.folder / 'timeseries.log').read_text()}")

    def stop(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGINT)
            self._process.wait(30)
            self._process = None

    def wipe(self) -> None:
        """Forget all it has; it must be stopped."""
        shutil.rmtree(self.folder / "data", ignore_errors=True)

    def _get(self, path: str, **query: str) -> bytes:
        with urllib.request.urlopen(f"{self.url}{path}?{urllib.parse.urlencode(query)}", timeout=60) as answer:
            found: bytes = answer.read()
            return found

    def flush(self) -> None:
        """Make what was taken visible."""
        self._get("/internal/force_flush")

    def export(self, match: str) -> dict[tuple[tuple[str, str], ...], dict[int, float]]:
        """Every point of the series that match: values by time (ms), by labels."""
        self.flush()
        out: dict[tuple[tuple[str, str], ...], dict[int, float]] = {}
        for text in self._get("/api/v1/export", **{"match[]": match}).splitlines():
            row: dict[str, Any] = json.loads(text)
            labels = tuple(sorted(row["metric"].items()))
            points = out.setdefault(labels, {})
            for at, value in zip(row["timestamps"], row["values"], strict=True):
                assert at not in points, f"{labels} has two points at {at}"
                points[at] = value
        return out


def same(found: dict[int, float] | None, want: dict[int, float]) -> bool:
    """The same instants, and values to the eleven digits that this engine keeps of a fraction."""
    return (
        found is not None
        and found.keys() == want.keys()
        and all(math.isclose(found[at], value, rel_tol=1e-11) for at, value in want.items())
    )
