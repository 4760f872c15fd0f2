"""DuckDB as used here: imported where it is used, small, and never reaching for the network.

Imports nothing of ours.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import duckdb


@contextmanager
def connected(beside: Path | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection with one thread and 256 MB; UTC. What does not fit goes into a folder that ends with it.

    `beside`: the folder to make that folder in, where there is room; else the machine's temporary folder.
    """
    import duckdb

    with TemporaryDirectory(prefix=".waterside-", dir=beside) as spill:
        config: dict[str, str | bool | int | float | list[str]] = {
            "memory_limit": "256MB",
            "threads": "1",
            "temp_directory": spill,
            "autoinstall_known_extensions": "false",
            "autoload_known_extensions": "false",
        }
        db = duckdb.connect(":memory:", config=config)
        try:
            db.execute("set TimeZone = 'UTC'")
            yield db
        finally:
            db.close()
