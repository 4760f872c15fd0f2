"""What people tested by hand, as far as the engine needs it: the last results of each test, latest in force.

Kept as plain rows in one tuple, sorted by target, test, time and act, so that cloning the state costs nothing. Values
are in the unit `config.water_tests` reckons the test in (chloride: mg/L as Cl). Derived tags ask `latest`. Pure.
May import: config.
"""

from __future__ import annotations

import re
from typing import Any, Final, NamedTuple

KEPT: Final = 8
"""Results kept of each test: that many in a row can be withdrawn and the one before is in force again."""

_WITHDRAWS: Final = re.compile(r"withdraws act (\d+): ")

Row = tuple[Any, ...]


class Result(NamedTuple):
    """One result. `target`: a boiler or other part of the plant, or a water (`config.water_tests.WATERS`)."""

    target: str
    what: str
    taken_at: int  # UTC ms, when the sample was taken or the test done
    act: int  # number of the act that brought it
    value: float  # base unit of the test; 1 passed, 0 failed
    by: str


def latest(rows: tuple[Row, ...], target: str, what: str) -> Result | None:
    """The result in force: the last one taken."""
    found = None
    for row in rows:
        if row[0] == target and row[1] == what:
            found = row
    return Result(*found) if found is not None else None


def every(rows: tuple[Row, ...]) -> tuple[Result, ...]:
    """The result in force of every test there is one of."""
    return tuple(Result(*row) for row in {(row[0], row[1]): row for row in rows}.values())


def of_act(rows: tuple[Row, ...], act: int) -> Result | None:
    """The result an act brought, while it is kept and not withdrawn."""
    return next((Result(*row) for row in rows if row[3] == act), None)


def with_result(rows: tuple[Row, ...], new: Result) -> tuple[Row, ...]:
    """The rows with a result more; the oldest of its test goes when there are too many."""
    same = sorted([row for row in rows if row[:2] == new[:2]] + [tuple(new)])[-KEPT:]
    return tuple(sorted([row for row in rows if row[:2] != new[:2]] + same))


def without_act(rows: tuple[Row, ...], act: int) -> tuple[Row, ...]:
    """The rows without what an act brought."""
    return tuple(row for row in rows if row[3] != act)


def withdrawal(act: int, why: str) -> str:
    """The note of a record by which the result of an earlier act no longer counts."""
    return f"withdraws act {act}: {why}"


def withdrawn_act(note: str) -> int | None:
    """The act a record withdraws, None for a result."""
    m = _WITHDRAWS.match(note)
    return int(m[1]) if m else None


def remark(text: str) -> str:
    """A remark that cannot be taken for a withdrawal."""
    return f"remark: {text}" if _WITHDRAWS.match(text) else text
