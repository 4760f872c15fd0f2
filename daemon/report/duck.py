"""DuckDB as used here: imported where it is used, small, and never reaching for the network.

Imports nothing of ours.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb


@contextmanager
def connected(file: Path | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection with one thread and 256 MB, in memory or on a file of its own; UTC."""
    import duckdb

    config: dict[str, str | bool | int | float | list[str]] = {
        "memory_limit": "256MB",
        "threads": "1",
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
    }
    db = duckdb.connect(str(file) if file else ":memory:", config=config)
    try:
        db.execute("set TimeZone = 'UTC'")
        yield db
    finally:
        db.close()
