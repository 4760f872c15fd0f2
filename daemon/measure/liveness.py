"""Is the 4-20 mA the live probe, or does it hold the last sample's value? Learned where the plant file does not say.

Between two samples a live signal shows water that stands, cools and drifts; a held one is still but for the noise of
the input module. So each pause of five minutes or more, from a minute after the valve has shut, gives a vote by how
far the signal wandered. Three votes that agree (four of five, and newer ones count more) decide; until then
the signal is taken as held. With no valve wired, or sample that always flows, there is no pause to learn from.
Pure.
"""

from __future__ import annotations

from typing import Final

from daemon.core.cells import Cell, cell

UNKNOWN, LIVE, HELD = 0, 1, 2
WORDS: Final = ("not known yet", "live", "held")
SKIPPED_MS: Final = 60_000  # a held value may still come after the valve has shut
PAUSE_MS: Final = 5 * 60_000
STILL_SPAN: Final = 0.001  # of span, or four counts
MOVED_SPAN: Final = 0.003
COUNTS: Final = 4.0
VOTES: Final = 3
AGREE: Final = 0.8
KEPT: Final = 20


@cell
class Liveness(Cell):
    """`low`, `high`: where the signal has been in this pause, which began at `since_ms` (-1: no pause)."""

    since_ms: int = -1
    last_ms: int = -1
    low: float = 0.0
    high: float = 0.0
    live: int = 0
    held: int = 0
    now: int = UNKNOWN


def learn(c: Liveness, raw: float | None, t: int, shut_ms: int, span: float, resolution: float) -> None:
    """Take one poll. `shut_ms`: elapsed time the valve shut while the boiler steams, -1 while it is open or not known;
    `raw` None: no usable signal, the pause so far says nothing."""
    if shut_ms < 0 or raw is None:
        if shut_ms < 0 and c.since_ms >= 0:
            _vote(c, span, resolution)
        c.since_ms = -1
        return
    if t - shut_ms < SKIPPED_MS:
        return
    if c.since_ms < 0:
        c.since_ms, c.low, c.high = t, raw, raw
    c.last_ms = t
    c.low, c.high = min(c.low, raw), max(c.high, raw)


def _vote(c: Liveness, span: float, resolution: float) -> None:
    if c.last_ms - c.since_ms < PAUSE_MS:
        return
    wandered = c.high - c.low
    if wandered <= max(STILL_SPAN * span, COUNTS * resolution):
        c.held += 1
    elif wandered >= max(MOVED_SPAN * span, 2 * COUNTS * resolution):
        c.live += 1
    if c.live + c.held > KEPT:
        c.live, c.held = c.live // 2, c.held // 2
    votes = c.live + c.held
    if votes >= VOTES:
        if c.live >= AGREE * votes:
            c.now = LIVE
        elif c.held >= AGREE * votes:
            c.now = HELD


def says(c: Liveness, stated: bool, held: bool, learnable: bool) -> str:
    """For screens: what the signal is taken for, and on what ground."""
    word = "held" if held else "live"
    if stated:
        return f"{word} (stated)"
    if not learnable:
        return f"{word} (not stated; there is no pause between samples to learn it from)"
    if c.now == UNKNOWN:
        return f"held until it is learned ({c.live + c.held} of {VOTES} pauses between samples seen)"
    return f"{word} (learned: the signal moved in {c.live} and stood still in {c.held} pauses between samples)"
