"""Sums over the last day: whole hours kept, and the hour in progress. Pure.

An hour is one of elapsed time, which never goes back, so that neither a clock step nor a change to summer time moves a
window. What is kept changes once an hour; between, a step adds to a short list of floats.
"""

from __future__ import annotations

from typing import Final

from daemon.core.cells import Cell, cell

HOUR_MS: Final = 3_600_000
HOURS: Final = 24


@cell
class Sums(Cell):
    """Several quantities summed together. `past`: their sums in each whole hour kept, oldest first."""

    now: list[float]
    hour: int = -1
    past: tuple[tuple[float, ...], ...] = ()
    done: tuple[float, ...] = ()  # the sums of `past`

    def of(self, i: int) -> float:
        """Quantity `i` over the window."""
        return self.now[i] + self.done[i] if self.done else self.now[i]


def fresh_sums(n: int) -> Sums:
    """Nothing summed yet."""
    return Sums([0.0] * n)


def turn(c: Sums, elapsed_ms: int) -> None:
    """Come to an instant: when an hour has ended its sums are kept, and the one before the window is let go."""
    hour = elapsed_ms // HOUR_MS
    if hour == c.hour:
        return
    if c.hour >= 0:
        empty = min(hour - c.hour - 1, HOURS)
        c.past = (*c.past, tuple(c.now), *((0.0,) * len(c.now),) * empty)[-HOURS:]
        c.done = tuple(map(sum, zip(*c.past, strict=True)))
        c.now = [0.0] * len(c.now)
    c.hour = hour
