"""Elapsed plant time across restarts, and the clock segments that tie it to UTC. Pure but for the clock it is given.

Elapsed time never goes back. Within a run it follows the monotonic clock; across a restart it grows by what the wall
clock says passed, at least 1 ms. UTC is elapsed time seen through the segment in force: when the wall clock and the
segment disagree by more than `STEP_MS`, the clock was stepped and a new segment begins.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from daemon.core.clock import Clock

STEP_MS: Final = 2_000
EARLIEST_MS: Final = 1_767_225_600_000  # 2026-01-01: no clock that is right says less


@dataclass(slots=True)
class TimeBase:
    """This run's zero: `elapsed_ms` at clock reading `origin`; the segment maps elapsed to UTC."""

    clock: Clock
    origin: float
    elapsed_ms: int
    segment: int = 0
    segment_elapsed_ms: int = 0
    segment_at_ms: int = 0

    @classmethod
    def after(cls, clock: Clock, last_elapsed_ms: int | None, last_at_ms: int) -> TimeBase:
        """The base of a new run after the last stored group (None: there is none)."""
        if last_elapsed_ms is None:
            return cls(clock, clock.elapsed(), 0)
        passed = max(1, clock.now_ms() - last_at_ms)
        return cls(clock, clock.elapsed(), last_elapsed_ms + passed)

    def elapsed(self, reading: float) -> int:
        """Elapsed ms at a reading of `clock.elapsed()`."""
        return self.elapsed_ms + round((reading - self.origin) * 1000)

    def at(self, elapsed_ms: int) -> int:
        """UTC ms of an elapsed time under the segment in force."""
        return self.segment_at_ms + elapsed_ms - self.segment_elapsed_ms

    def stepped(self) -> int:
        """By how many ms the wall clock is ahead of the segment, 0 while within `STEP_MS`."""
        ahead = self.clock.now_ms() - self.at(self.elapsed(self.clock.elapsed()))
        return ahead if abs(ahead) > STEP_MS else 0

    def begin_segment(self, number: int, elapsed_ms: int, at_ms: int) -> None:
        """From `elapsed_ms` on UTC is counted from `at_ms`."""
        self.segment, self.segment_elapsed_ms, self.segment_at_ms = number, elapsed_ms, at_ms
