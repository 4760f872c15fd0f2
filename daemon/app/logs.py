"""Log lines: under a service manager with their syslog priority in front (sd-daemon), else plain; one line each."""

from __future__ import annotations

import logging
import os
import sys
from typing import Final

_PRIORITY: Final = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))


class _Line(logging.Formatter):
    def __init__(self, *, journal: bool) -> None:
        super().__init__("%(message)s" if journal else "%(asctime)s %(message)s", "%H:%M:%S")
        self._journal = journal

    def format(self, record: logging.LogRecord) -> str:
        text = super().format(record).replace("\n", "\\n")
        if not self._journal:
            return text
        level = next((p for least, p in _PRIORITY if record.levelno >= least), 7)
        return f"<{level}>{text}"


def set_up(level: int = logging.INFO, *, quiet: bool = False) -> None:
    """Send the program's log to standard output; `quiet`: warnings and worse, to standard error."""
    handler = logging.StreamHandler(sys.stderr if quiet else sys.stdout)
    handler.setFormatter(_Line(journal="JOURNAL_STREAM" in os.environ))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING if quiet else level)
    logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)
    logging.getLogger("asyncio").setLevel(logging.ERROR)
