"""How often a burner starts, or a limit circuit opens: the instants of the last day, as the contact shows them. Pure.

Kept on change alone. A change in a time that nobody watched was not seen, and is not counted. May import: daemon.core.
"""

from __future__ import annotations

from typing import Final

from daemon.core.cells import Cell, cell
from daemon.measure.contact import Contact

DAY_MS: Final = 24 * 3_600_000
KEPT: Final = 200


@cell
class Cycles(Cell):
    """`seen_ms`: the contact's last change that was looked at; `starts`: elapsed ms, oldest first."""

    seen_ms: int = -1
    starts: tuple[int, ...] = ()


def follow(c: Cycles, contact: Contact, when: int) -> None:
    """Take one group's view of a contact; a change to `when` counts."""
    since = contact.since_elapsed_ms
    if since == c.seen_ms or contact.on is None:
        return
    c.seen_ms = since
    if contact.began and contact.on == when:
        c.starts = (*(x for x in c.starts if since - x < DAY_MS), since)[-KEPT:]


def within(c: Cycles, t: int, window_ms: int) -> int:
    """How many fall into the window that ends at `t`."""
    return sum(1 for x in c.starts if t - x < window_ms)
