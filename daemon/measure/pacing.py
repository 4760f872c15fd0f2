"""Did a pump run as its pacing says? Five ways, one cell, a verdict that stands until the next judgement. Pure.

with blow     the relay is on while the valve of a pacing boiler is commanded open; a pump may leave out samples
after blow    once the valve has shut: as long as the blow (or a share of it), no longer than the limit
share of time on for a share of each cycle, while a boiler it serves is running
schedule      at times of the plant's clock, each for a run
makeup        a run for each metered volume

What was not watched, or while the relay or the valve could not be read, is not judged. Tolerances: a difference
shorter than three polls says nothing; lengths are told apart beyond a tenth and that; a timer's clock may be five
minutes off (common practice, no source).
"""

from __future__ import annotations

from typing import Final

from daemon.core.cells import Cell, cell
from daemon.core.figure_tags import PACING
from daemon.measure.dosing_rules import DAY_S, PacingRule

NOT_JUDGED, AS_PACED, DID_NOT, TOO_LITTLE, TOO_MUCH, WRONGLY = range(len(PACING))
SHARE_TOLERANCE: Final = 0.1
CLOCK_OFF_MS: Final = 300_000
SHARE_CYCLES: Final = 6
JUDGED_OVER_MS: Final = 3_600_000  # a share of the time, or of makeup, over at least so long
RUNS_AT_LEAST: Final = 3  # of makeup
GIVEN_UP_MS: Final = 24 * 3_600_000
WEEK_MS: Final = 7 * DAY_S * 1000
CLOCK_STEP_MS: Final = 60_000


@cell
class PacingCell(Cell):
    """The verdict, what it rests on (`ran` of `due` ms, at `judged_at`), and what the next one is gathered from."""

    verdict: int = NOT_JUDGED
    judged_at: int = 0
    ran: int = 0
    due: int = 0
    # in progress
    phase: int = 0  # 0 idle, 1 blowing (or in a scheduled run), 2 after
    time_ms: int = 0  # in this phase, or of this stretch
    on_ms: int = 0
    more_ms: int = 0  # on where it should be off, without a break
    less_ms: int = 0  # off where it should be on, without a break
    least_ms: int = 0  # of the run that is due
    most_ms: int = 0
    starts: int = 0
    volume_m3: float = 0.0
    clock_ms: int = -1
    partial: bool = True  # something before was not seen: a run may be owed, or have begun


def spoil(c: PacingCell) -> None:
    """Something was not seen: begin anew, and keep the last verdict."""
    c.phase = c.time_ms = c.on_ms = c.more_ms = c.less_ms = c.least_ms = c.most_ms = c.starts = 0
    c.volume_m3, c.clock_ms, c.partial = 0.0, -1, True


def _judge(c: PacingCell, verdict: int, ran: int, due: int, at: int) -> None:
    c.verdict, c.ran, c.due, c.judged_at = verdict, ran, due, at


def _lengths(ran: int, least: int, most: int, tolerance: int) -> int:
    """The verdict on a run of `ran` ms where `least` to `most` are due."""
    if ran > most + max(tolerance, most * SHARE_TOLERANCE):
        return TOO_MUCH
    if ran < least - max(tolerance, least * SHARE_TOLERANCE):
        return TOO_LITTLE if ran else DID_NOT
    return AS_PACED


def with_blow(c: PacingCell, r: PacingRule, pump: bool, blowing: bool, dt: int, at: int) -> None:
    """The pump goes with the valve; past the limit of one blow it may rest."""
    if not (pump or blowing or c.phase or c.more_ms or c.on_ms or c.less_ms):
        return  # neither runs, as before
    c.time_ms = c.time_ms + dt if blowing and c.phase else 0
    c.phase = int(blowing)
    past = bool(r.limit_ms) and c.time_ms > r.limit_ms
    wanted = blowing and not past
    c.on_ms = c.on_ms + dt if pump and wanted else 0
    c.more_ms = c.more_ms + dt if pump and not wanted else 0
    c.less_ms = c.less_ms + dt if wanted and not pump else 0
    if c.more_ms >= r.grace_ms:
        _judge(c, TOO_MUCH if past else WRONGLY, c.more_ms, 0, at)
    elif c.less_ms >= r.grace_ms + r.sampling_ms:
        _judge(c, DID_NOT, 0, c.less_ms, at)
    elif c.on_ms >= r.grace_ms:
        _judge(c, AS_PACED, c.on_ms, c.on_ms, at)


def after_blow(c: PacingCell, r: PacingRule, pump: bool, blowing: bool, feeding: bool, dt: int, at: int) -> None:
    """A run is due once the valve has shut. One cut off by the next blow is owed on, and judged with the next."""
    if blowing:
        if c.phase != 1:
            c.least_ms, c.most_ms = 0, max(0, c.most_ms - c.on_ms) if c.phase == 2 else 0
            c.phase, c.time_ms, c.on_ms, c.more_ms = 1, 0, 0, 0
        c.time_ms += dt
        c.more_ms = c.more_ms + dt if pump else 0
        if c.more_ms >= r.grace_ms:
            _judge(c, WRONGLY, c.more_ms, 0, at)
        return
    if c.phase == 1:
        due = round(c.time_ms * r.share)
        limit = r.limit_ms or GIVEN_UP_MS
        c.least_ms, c.most_ms = min(due, limit), min(c.most_ms + due, limit)
        if c.partial and r.limit_ms:
            c.most_ms = limit  # what an unseen blow may have left owing
        c.phase, c.time_ms, c.on_ms, c.more_ms = 2, 0, 0, 0
    if c.phase == 2:
        c.time_ms += dt if feeding or pump else 0
        c.on_ms += dt if pump else 0
        if c.on_ms > c.most_ms + max(r.grace_ms, c.most_ms * SHARE_TOLERANCE) and (r.limit_ms or not c.partial):
            _judge(c, TOO_MUCH, c.on_ms, c.most_ms, at)
        elif c.time_ms >= c.most_ms + r.grace_ms and not pump:
            verdict = _lengths(c.on_ms, c.least_ms, c.most_ms, r.grace_ms)
            # a run too short to be seen says nothing, nor does one longer than is known to be owed
            if (c.most_ms >= r.grace_ms or verdict != AS_PACED) and (
                verdict != TOO_MUCH or r.limit_ms or not c.partial
            ):
                _judge(c, verdict, c.on_ms, c.most_ms, at)
            c.partial = False
            c.phase, c.time_ms, c.more_ms, c.most_ms, c.on_ms = 0, 0, 0, 0, 0
        return
    c.more_ms = c.more_ms + dt if pump else 0
    if c.more_ms >= r.grace_ms and not c.partial:
        _judge(c, WRONGLY, c.more_ms, 0, at)


def share_of_time(c: PacingCell, r: PacingRule, pump: bool, feeding: bool, dt: int, at: int) -> None:
    """Over whole stretches of an hour or six cycles, whichever is longer, of the time in which a boiler runs."""
    if not feeding:
        return
    c.time_ms += dt
    c.on_ms += dt if pump else 0
    if c.time_ms < max(JUDGED_OVER_MS, SHARE_CYCLES * r.cycle_ms):
        return
    due = round(c.time_ms * r.share)
    _judge(c, _lengths(c.on_ms, due, due, round(min(r.share, 1 - r.share) * r.cycle_ms)), c.on_ms, due, at)
    c.time_ms = c.on_ms = 0


def schedule(c: PacingCell, r: PacingRule, pump: bool, week_ms: int, dt: int, at: int) -> None:
    """`week_ms`: ms since Monday 00:00 on the plant's clock. Starts close together are judged as one.

    A run that has begun unseen is not judged, nor one in which the clock was moved (by a person, or to summer time).
    """
    moved = c.clock_ms >= 0 and abs((week_ms - c.clock_ms - dt + WEEK_MS // 2) % WEEK_MS - WEEK_MS // 2) > CLOCK_STEP_MS
    c.clock_ms = week_ms
    if moved:
        spoil(c)
        c.clock_ms = week_ms
    begun = inside = 0
    for start in r.starts_s:
        since = (week_ms - start * 1000 + CLOCK_OFF_MS) % WEEK_MS  # since its window began
        inside += since < r.run_ms + 2 * CLOCK_OFF_MS
        begun += since < dt
    if inside:
        if not c.phase:
            c.phase, c.on_ms, c.starts, c.partial = 1, 0, 0, not begun
        c.starts += begun
        c.on_ms += dt if pump else 0
        return
    if c.phase:
        c.on_ms += dt if pump else 0
        due = c.starts * r.run_ms
        said = _lengths(c.on_ms, due, due, r.grace_ms)
        if not c.partial and (not pump or said == TOO_MUCH):
            _judge(c, said, c.on_ms, due, at)
        if pump:
            return  # a late or long run is seen to its end
        c.phase = c.starts = c.on_ms = c.more_ms = 0
    c.partial = c.partial and pump  # one that was on already may have begun in time
    c.more_ms = c.more_ms + dt if pump and not c.partial else 0
    if c.more_ms >= r.grace_ms:
        _judge(c, WRONGLY, c.more_ms, 0, at)


def by_volume(c: PacingCell, r: PacingRule, pump: bool, passed_m3: float, dt: int, at: int) -> None:
    """A run for each volume, over an hour at least and three runs; a pump that cannot keep up runs all the time."""
    c.time_ms += dt
    c.on_ms += dt if pump else 0
    c.volume_m3 += passed_m3
    runs = c.volume_m3 / r.volume_m3
    enough = runs >= RUNS_AT_LEAST and c.time_ms >= JUDGED_OVER_MS
    tolerance = r.run_ms + r.grace_ms
    due = min(round(runs * r.run_ms), c.time_ms)
    if enough or c.time_ms >= GIVEN_UP_MS or (not runs and c.on_ms > tolerance):
        verdict = _lengths(c.on_ms, due, due, tolerance)
        if runs >= RUNS_AT_LEAST or verdict == TOO_MUCH:
            _judge(c, verdict, c.on_ms, due, at)
        c.time_ms = c.on_ms = 0
        c.volume_m3 = 0.0
