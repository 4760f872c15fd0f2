"""What people said that holds for a time: out of service, the state of a boiler, work by hand. Pure.

Kept as plain rows in tuples of the senses, so that cloning the state costs nothing. Every row has a person, an act and
an end; ends are by the clock. May import: daemon.core.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

from daemon.core.tags import STATES

Row = tuple[Any, ...]

LAID_UP, DRAINED = STATES.index("laid up"), STATES.index("drained")
SPOKEN: Final = {"laid up wet": LAID_UP, "laid up dry": LAID_UP, "drained": DRAINED}
"""The words a person may say of a boiler, and the state each stands for."""

ON_SITE: Final = "technician on site"
BLOW_BY_HAND: Final = "blow by hand"
SOME_STEAM: Final = (
    0.25  # of the stated pressure: no boiler with that is laid up or drained (common practice, no source)
)


class Said(NamedTuple):
    """One thing said. `target`: boiler, tag or other part, "" for the whole house; times UTC ms."""

    target: str
    what: str  # "" out of service; a key of SPOKEN; ON_SITE or BLOW_BY_HAND
    from_at: int
    until_at: int
    by: str
    why: str
    act: int
    ends: int = -1  # elapsed ms at which it is over whatever the PC's clock says by then, -1 not known


def every(rows: tuple[Row, ...]) -> tuple[Said, ...]:
    """The rows by their fields."""
    return tuple(Said(*row) for row in rows)


def is_over(o: Said, at_ms: int, elapsed_ms: int) -> bool:
    """Whether its time is over: by the clock, or, when that was set back meanwhile, by the time that went by."""
    return o.until_at <= at_ms or 0 <= o.ends <= elapsed_ms


def said_of(rows: tuple[Row, ...], target: str) -> Said | None:
    """What is said of a target, None for nothing."""
    return next((Said(*row) for row in rows if row[0] == target), None)


def without(rows: tuple[Row, ...], target: str, what: str | None = None) -> tuple[Row, ...]:
    """The rows without those of a target (and of one kind)."""
    return tuple(row for row in rows if row[0] != target or (what is not None and row[1] != what))


def blown_by_hand(rows: tuple[Row, ...], boiler: str) -> bool:
    """Whether a blow by hand moves, or has just moved, the conductivity of a boiler."""
    return any(row[0] == boiler and row[1] == BLOW_BY_HAND for row in rows)
