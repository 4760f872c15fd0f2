"""Two ways to ask: all rows, or the first. Nothing stays open afterwards, so no read transaction outlives its slice.

Imports nothing of ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import apsw


def every(db: apsw.Connection, sql: str, args: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
    """All rows of a question that bounds itself."""
    return db.execute(sql, tuple(args)).fetchall()


def first(db: apsw.Connection, sql: str, args: Sequence[Any] = ()) -> tuple[Any, ...] | None:
    """The first row, None when there is none."""
    cursor = db.execute(sql, tuple(args))
    row = cursor.fetchone()
    cursor.close(True)
    return row
