"""The service as a process under measurement: started, followed by the numbers of the groups it has stored, ended."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Self


class Service:
    """`with Service(plant, store) as s`. `began`: time.perf_counter() before the process was made."""

    def __init__(self, plant: Path, store: Path) -> None:
        self._command = [sys.executable, "-P", "-m", "daemon", "run", str(plant), "--store", str(store)]
        self._log = store.with_suffix(".log")

    def __enter__(self) -> Self:
        read, write = os.pipe()
        with self._log.open("wb") as log:
            self.began = time.perf_counter()
            self._process = subprocess.Popen(
                [*self._command, "--ledger-fd", str(write)], pass_fds=(write,), stdout=log, stderr=log
            )
        os.close(write)
        self._ledger = os.fdopen(read, "rb")
        self.pid = self._process.pid
        return self

    def wait_group(self) -> int:
        """Until the next group is stored; its number."""
        line = self._ledger.readline()
        if not line:
            raise RuntimeError(f"the service ended: {self._log.read_text('utf-8', 'replace')}")
        return int(line)

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._process.terminate()
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._ledger.close()


def resident_mb(pid: int) -> float:
    """Resident memory of a process in MB (VmRSS)."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) * 1024 / 1e6
    raise RuntimeError(f"process {pid} has gone")
