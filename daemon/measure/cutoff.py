"""Tests of a low-water cut-off as its contact, the burner and the declared hours show them. Pure.

A low water contact is a test only for a stated time, in a declared window, while the burner (or, where none is wired,
the limit circuit) is read and is off, or goes off. Whatever is in doubt is low water from that moment on, for as long
as the contact lasts: a burner that fires on, a signal that cannot be read, a gap, a beginning nobody saw, a contact
that comes too often. May import: daemon.core, daemon.measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Final, NamedTuple

from daemon.core.cells import Cell, cell
from daemon.core.say import minutes
from daemon.measure.contact import Contact

STOPS_MS: Final = 10_000  # so long a burner may be seen firing after the contact (common practice, no source)
MOST: Final = 4  # contacts that are taken as tests within `ROUND_MS`: two cut-offs, each tried twice
ROUND_MS: Final = 2 * 3_600_000


@dataclass(frozen=True, slots=True)
class Window:
    """Minutes since midnight of the plant's clock, over midnight when `end` is less; `days` of its begin, 0 Monday."""

    begin: int
    end: int
    longest_ms: int
    days: tuple[int, ...]

    def holds(self, at: datetime) -> bool:
        """Whether an instant on the plant's clock lies in it."""
        minute, day = at.hour * 60 + at.minute, at.weekday()
        if self.begin < self.end:
            return day in self.days and self.begin <= minute < self.end
        if minute >= self.begin:
            return day in self.days
        return minute < self.end and (day - 1) % 7 in self.days


@dataclass(frozen=True, slots=True)
class CutoffRule:
    """How one boiler's cut-off is watched. `burner`: a burner's contact is wired, else the limit circuit tells."""

    windows: tuple[Window, ...] = ()
    zone: tzinfo = UTC
    burner: bool = False
    stops_ms: int = STOPS_MS
    slack_ms: int = 0  # polls of two modules may see one instant so far apart
    told: bool = False  # what was seen goes into the journal
    every_ms: int = 0  # 0: nobody asks for tests

    def declared(self, at_ms: int) -> int:
        """For how long a contact that came at an instant (ms UTC) may be a test; 0: none is declared."""
        at = datetime.fromtimestamp(at_ms // 1000, self.zone)
        return max((w.longest_ms for w in self.windows if w.holds(at)), default=0)


@cell
class Cutoff(Cell):
    """One cut-off. Times of the contact that is on now; `on_ms` -1 while it is not."""

    on_ms: int = -1
    longest_ms: int = 0
    fired: int = -1  # when it came: 1 the burner fired, 0 it did not, -1 not known
    stopped_ms: int = -1  # how long after it the burner was seen off
    doubt: bool = False  # it is taken as low water, whatever follows
    held: bool = False  # it is taken as a test for now
    failed: bool = False  # the burner fires although it should have stopped
    has_failed: bool = False
    lasted_ms: int = 0
    round_ms: int = -1  # when the first of this round of contacts came, and how many came since
    round_n: int = 0
    since_at: int = 0  # UTC ms: watched since
    proven_at: int = 0  # UTC ms of the last test at which the burner was seen to stop, 0: none
    last_at: int = 0
    last: str = ""  # what was seen at the last contact, in words


class Signal(NamedTuple):
    """A contact in a role: the contact, the state in which the role is true, and whether it can be read now."""

    contact: Contact
    when: int
    read: bool

    @property
    def true(self) -> bool:
        """Whether it was last read true."""
        return self.contact.on == self.when


def follow(c: Cutoff, rule: CutoffRule, low: Signal, fire: Signal | None, t: int, at: int, gap: bool) -> str:
    """Take one group; says in words what was seen when a contact has ended, else "". `fire`: what shows the burner."""
    if c.since_at == 0:
        c.since_at = at
    if c.on_ms < 0:
        if not low.true:
            return ""
        _begins(c, rule, low, fire, t)
    elif low.true and low.contact.since_elapsed_ms != c.on_ms:
        _begins(c, rule, low, fire, t)  # another contact than before: it is wired elsewhere now
    c.doubt |= gap
    fires = fire is not None and fire.true
    if c.fired == 1 and c.stopped_ms < 0 and fire is not None and not fires:
        c.stopped_ms = max(0, fire.contact.since_elapsed_ms - c.on_ms)
    if not low.true:
        return _ends(c, rule, low, at)
    c.lasted_ms = t - c.on_ms
    late = c.lasted_ms >= rule.stops_ms
    if fire is not None and fire.read:
        c.failed = rule.burner and late and fires and not fire.contact.turning
        c.has_failed |= c.failed
    shown = fire is not None and fire.read and low.read and not (fires and late)
    c.doubt |= c.lasted_ms >= c.longest_ms or not shown
    c.held = not c.doubt
    return ""


def _begins(c: Cutoff, rule: CutoffRule, low: Signal, fire: Signal | None, t: int) -> None:
    c.on_ms, c.stopped_ms, c.fired = low.contact.since_elapsed_ms, -1, -1
    c.failed = c.has_failed = False
    c.longest_ms = rule.declared(low.contact.since_ms)
    if c.round_ms < 0 or t - c.round_ms > ROUND_MS:
        c.round_ms, c.round_n = t, 0
    c.round_n += 1
    c.doubt = not low.contact.began or c.longest_ms == 0 or c.round_n > MOST
    if fire is None or fire.contact.on is None:
        return
    went = fire.contact.began and fire.contact.since_elapsed_ms >= c.on_ms - rule.slack_ms
    c.fired = int(fire.true or went)


def _ends(c: Cutoff, rule: CutoffRule, low: Signal, at: int) -> str:
    lasted = max(0, low.contact.since_elapsed_ms - c.on_ms) if low.contact.began else c.lasted_ms
    as_test = c.longest_ms > 0 and not c.has_failed and lasted <= c.longest_ms and c.round_n <= MOST
    if c.fired == 1 and c.stopped_ms >= 0 and not c.has_failed:
        what = f"{'burner stopped' if rule.burner else 'limit circuit opened'} after {c.stopped_ms / 1000:.0f} s"
        if not rule.burner:
            what += ", no burner contact is wired"
        if rule.burner:
            c.proven_at = at
    elif c.has_failed:
        what = "the burner went on firing"
    elif c.fired == 0:
        what = f"not proven, the {'burner was not firing' if rule.burner else 'limit circuit was open already'}"
    elif c.fired == 1:
        what = f"not proven, the {'burner' if rule.burner else 'limit circuit'} was not seen to stop in that time"
    else:
        what = "not proven, nothing tells of the burner"
    head = "cut-off test" if as_test else "low water contact outside of a declared cut-off test"
    if c.longest_ms and not as_test:
        head = "low water contact in the hours of cut-off tests, taken as low water"
    c.last, c.last_at = f"{head}: {what}; the contact was on for {minutes(lasted)}", at
    c.on_ms, c.held, c.failed, c.doubt = -1, False, False, False
    return c.last if rule.told else ""
