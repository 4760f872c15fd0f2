"""When the plant PC's clock is doubted, and how dates written under it are corrected once it is right.

A PC whose clock battery is empty starts years off, and polls before a time server is reached. What it stores is dated
wrongly then, but inside a run elapsed time follows the monotonic clock: as soon as the clock is set right, the instants
of every earlier segment of that run are known. They are recorded as corrections; counts and what was stored stay.

A segment is doubted, by its record, when its clock is impossible or far from the newest trusted poll. One that no time
server kept is not doubted by record, but is corrected too when a time server sets the clock.
Lives here: that reckoning. Pure but for what it is handed. May import: daemon.store.records and dates.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from daemon.app.timebase import EARLIEST_MS, STEP_MS
from daemon.core.say import minutes
from daemon.store.dates import shifts
from daemon.store.records import ClockCorrection, ClockSegment, Last

FAR_AHEAD_MS: Final = 180 * 86_400_000
LOOK_EVERY_MS: Final = 60_000


def nobody_tells() -> bool | None:
    """For a time that no time server keeps: the demo's, a test's."""
    return None


def trusted_ms(
    segments: Sequence[ClockSegment], corrections: Sequence[ClockCorrection], last: Last | None
) -> int | None:
    """The latest instant that is surely past: what undoubted or corrected segments say. None: nothing does."""
    moved = shifts(corrections)
    sure = {s.segment: s.at_ms + moved.get(s.segment, 0) for s in segments if not s.doubt or s.segment in moved}
    if last and last.segment in sure:
        sure[last.segment] = max(sure[last.segment], last.at_ms + moved.get(last.segment, 0))
    return max(sure.values(), default=None)


@dataclass(frozen=True, slots=True)
class _Past:
    segment: int
    elapsed_ms: int
    at_ms: int
    recorded: bool  # doubted by record: any plausible setting of the clock settles it

    @property
    def zero_ms(self) -> int:
        return self.at_ms - self.elapsed_ms


@dataclass(slots=True)
class Doubts:
    """What this run has stored under a clock that was not sure. `kept`: does a time server keep the clock?"""

    trusted_ms: int | None = None
    kept: Callable[[], bool | None] = nobody_tells
    _past: list[_Past] = field(default_factory=list)
    _looked_ms: int = 0

    def about(self, now_ms: int) -> str:
        """Why a clock that says `now_ms` is doubted, "" when it is not."""
        if now_ms < EARLIEST_MS:
            return "the clock was earlier than this program"
        if self.trusted_ms is None:
            return ""
        off = now_ms - self.trusted_ms
        if off < -STEP_MS:
            return f"the clock was {long(-off)} before what had been stored already"
        if off > FAR_AHEAD_MS:
            return f"the clock was {long(off)} after what was stored last: a long pause, or a wrong clock"
        return ""

    def begin(self, segment: int, elapsed_ms: int, at_ms: int, doubt: str) -> None:
        """A segment has begun under a clock of which `about` said `doubt`."""
        if doubt or self.kept() is False:
            self._past.append(_Past(segment, elapsed_ms, at_ms, bool(doubt)))

    def settle(self, elapsed_ms: int, at_ms: int) -> list[ClockCorrection]:
        """The clock says `at_ms` at `elapsed_ms`: corrections of this run's segments that follow when that is right."""
        if self.about(at_ms):
            return []
        kept = self.kept()
        zero = at_ms - elapsed_ms
        out = []
        for p in self._past:
            shift = zero - p.zero_ms
            if p.recorded or (kept and abs(shift) > STEP_MS):
                way = "behind" if shift > 0 else "ahead"
                why = f"the clock was {long(abs(shift))} {way}; it was set right in the same run"
                out.append(ClockCorrection(p.segment, shift, at_ms, why, "waterside"))
        return out

    def settled(self, corrections: Sequence[ClockCorrection]) -> None:
        """These corrections are stored; and where a time server keeps the clock, nothing else waits for it."""
        done = {c.segment for c in corrections}
        kept = self.kept()
        self._past = [p for p in self._past if p.segment not in done and (p.recorded or not kept)]

    def due(self, elapsed_ms: int) -> bool:
        """True once a minute while something waits for a time server's word."""
        if not self._past or elapsed_ms - self._looked_ms < LOOK_EVERY_MS:
            return False
        self._looked_ms = elapsed_ms
        return self.kept() is True


def long(ms: int) -> str:
    """A length of time from minutes to years, in words."""
    days = ms / 86_400_000
    if days >= 730:
        return f"{days / 365.25:.1f} years"
    return f"{days:.0f} days" if days >= 2 else minutes(ms)
