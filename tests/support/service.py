"""The service as a process of its own, as it runs on site, with its ledger and log kept by the test."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

TIMEOUT_S = 30.0


class Running:
    """A service that runs. `groups`: committed group numbers so far; `log`: its output so far."""

    def __init__(
        self, plant: Path, store: Path, env: Mapping[str, str] | None = None, more: Sequence[str] = ()
    ) -> None:
        self.plant, self.store = plant, store
        self.log_path = store.with_suffix(".log")
        read, write = os.pipe()
        command = [sys.executable, "-P", "-m", "daemon", "run", str(plant), "--store", str(store)]
        with self.log_path.open("ab") as log:
            self.process = subprocess.Popen(
                [*command, "--ledger-fd", str(write), *more],
                pass_fds=(write,),
                stdout=log,
                stderr=log,
                env={**os.environ, **(env or {})},
            )
        os.close(write)
        self.groups: list[int] = []
        self._news = threading.Condition()
        self._thread = threading.Thread(target=self._read, args=(read,), daemon=True)
        self._thread.start()

    def _read(self, fd: int) -> None:
        with os.fdopen(fd, "rb") as file:
            for line in file:
                with self._news:
                    self.groups.append(int(line))
                    self._news.notify_all()
        with self._news:
            self._news.notify_all()

    @property
    def log(self) -> str:
        return self.log_path.read_text("utf-8", "replace")

    def wait_groups(self, more: int = 1) -> int:
        """Until `more` further groups are stored; the number of the last."""
        with self._news:
            want = len(self.groups) + more
            while len(self.groups) < want:
                assert self._news.wait(TIMEOUT_S), f"no group within {TIMEOUT_S} s: {self.log}"
                assert self.process.poll() is None or len(self.groups) >= want, self.log
            return self.groups[-1]

    def wait_log(self, text: str) -> None:
        """Until the log says so."""
        for _ in range(int(TIMEOUT_S / 0.05)):
            if text in self.log:
                return
            threading.Event().wait(0.05)
        raise AssertionError(f"{text!r} did not come: {self.log}")

    def signal(self, number: signal.Signals) -> None:
        self.process.send_signal(number)

    def end(self) -> int:
        """Stop by SIGTERM; the exit code."""
        if self.process.poll() is None:
            self.process.terminate()
        code = self.process.wait(TIMEOUT_S)
        self._thread.join(5)
        return code


@contextmanager
def running(
    plant: Path, store: Path, env: Mapping[str, str] | None = None, more: Sequence[str] = ()
) -> Iterator[Running]:
    """A service for the length of a block; `more`: further words of its command."""
    service = Running(plant, store, env, more)
    try:
        yield service
    finally:
        if service.process.poll() is None:
            service.process.kill()
        service.process.wait(10)
        service._thread.join(5)
