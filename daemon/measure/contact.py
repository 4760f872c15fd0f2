"""A polled dry contact: when it has really changed, and since when.

Polling cannot see a bounce of 50 ms, so debounce is a time: a contact changes when it has read the new state that
long in at least two polls, and the change is dated at the first of them. With no debounce one poll is enough. The
first good poll gives the state at once (there is nothing to hold against it); such a state has no known beginning.
A poll without an answer neither confirms a change nor denies it.

Pure. May import: nothing but daemon.core.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Contact:
    """State of one contact. `on` is the raw state (1 closed), None before the first read."""

    on: int | None = None
    since_ms: int = 0  # plant time (UTC ms) of the first poll that read it, 0 before the first read
    since_elapsed_ms: int = 0  # the same instant on the clock that never goes back
    began: bool = False  # False: it was already so at the first read, its beginning was not seen
    turning: bool = False  # the other state has been read, not yet for long enough
    turning_ms: int = 0
    turning_elapsed_ms: int = 0

    def clone(self) -> Contact:
        """An independent copy."""
        return Contact(
            self.on,
            self.since_ms,
            self.since_elapsed_ms,
            self.began,
            self.turning,
            self.turning_ms,
            self.turning_elapsed_ms,
        )

    def step(self, raw: int | None, elapsed_ms: int, at_ms: int, debounce_ms: int = 0) -> bool:
        """Take one poll (0, 1, or None for no answer); True when `on` is now another than before."""
        if raw is None:
            return False
        if raw == self.on:
            self.turning = False
            return False
        if self.on is None:
            self._take(raw, elapsed_ms, at_ms)
            return True
        if not self.turning:
            if debounce_ms > 0:
                self.turning, self.turning_ms, self.turning_elapsed_ms = True, at_ms, elapsed_ms
                return False
            self._take(raw, elapsed_ms, at_ms)
        elif elapsed_ms - self.turning_elapsed_ms < debounce_ms:
            return False
        else:
            self._take(raw, self.turning_elapsed_ms, self.turning_ms)
        self.began = True
        return True

    def _take(self, raw: int, elapsed_ms: int, at_ms: int) -> None:
        self.on, self.since_elapsed_ms, self.since_ms, self.turning = raw, elapsed_ms, at_ms, False
