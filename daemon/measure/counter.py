"""Pulse counters: the total that goes on; rollover, restart, stutter and running back told apart from flow.

A module counts pulses in 16, 32 or 64 bits. A count that falls is a rollover only if the step across the end is no
more than the meter can pass in the time (`max_rate` times the gap and 2 s, and two pulses: polls are uneven); a step
forward may be a quarter more.
Anything else that cannot be flow is held as a doubt for one poll:

1. the next count fits the old one: it was a misread; nothing was lost and nothing is added for it;
2. the next count fits the doubtful one: the module restarted, or was set, or the meter was changed. The total goes on
   from there. What passed between the last count before and the restart is not known and is never guessed; a count
   that began again from 0 and is itself no more than can have passed in the gap is added, so the total is then "at
   least";
3. it fits neither: it is the new doubt.

A fall is reported as COUNTER_RESTARTED at once, a jump as COUNTER_STEP_REFUSED until it is confirmed (then
COUNTER_RESTARTED). When the gap is so long that the counter may have gone round once or more, the step is added as
the least that can have passed and reported as COUNTER_RESTARTED too. A restart that lands just above the last count
cannot be told from flow. Two things are neither restart nor flow:

- **Stutter.** A reed that rests at the edge of its magnet closes again and again. More pulses than a meter can pass,
  at once or for longer than a moment (a quarter above `max_rate` is let be), are not counted (METER_STUTTER).
- **Running back.** A count that steps back a little while the module answered all along (an up/down counter behind a
  leaking check valve) leaves the total; what ran back is made up before anything is added (COUNTER_RAN_BACK). A reed
  that pulses both ways cannot show it.

A register that reading clears (`MeterSpec.clears`) holds increments. Each is added once, in the group that carries
it, and is in no other: stepping stored groups again gives the same total. An answer that is lost on its way takes an
unknown number of pulses with it, and so does a service that ends before it has stored what it has read. The total is
then "at least", is marked COUNTS_LOST there and at the next reading, and is never guessed.

Below its least flow a meter tells less than it passes. Pulses that surely come so slowly are added as they are
and counted in `slow`; the total is then "at least", and marked BELOW_MINIMUM_FLOW as long as it lasts.

What pulses are worth is in `meter_spec`, flow in `pulse_rate`. Pure. May import: config, daemon.core.
"""

from __future__ import annotations

from dataclasses import field
from typing import Final

from daemon.core.cells import Cell, cell
from daemon.core.reasons import Reason
from daemon.core.scan import Count
from daemon.measure.meter_spec import MeterSpec
from daemon.measure.pulse_rate import Anchors

ALLOWANCE: Final = 2.0  # pulses beyond max_rate times the gap
OVERLOAD: Final = 1.25  # of max_rate, for as long as it lasts (Q4 is 1.25 Q3 in OIML R 49-1, from memory)
LATE_MS: Final = 2000  # an answer may come so late, and the next one at once
OWED: Final = 4.0  # so many pulses too many are remembered against a stuttering meter
REED_PER_MS: Final = 0.05  # a contact closes no more than 50 times a second (common practice, no source)
STUTTER_MOST: Final = 1000  # more pulses at once are no stutter but another count
UNTOUCHED: Final = frozenset(
    {
        Reason.LINK_DOWN,  # nothing could be sent; CUT_OFF where it was
        Reason.NOT_POLLED,
        Reason.NOT_ASKED,
        Reason.STOPPING,
        Reason.REFUSED_1,  # a request that is refused so is not carried out
        Reason.REFUSED_2,
        Reason.REFUSED_3,
        Reason.REFUSED_6,
        Reason.REFUSED_10,  # the gateway sent nothing
    }
)
"""Reasons for no count under which a register that reading clears was surely not read."""
UNSEEN_MS: Final = 30_000  # in a longer gap a module can have restarted unseen


def wrapped_step(old: int, new: int, modulus: int) -> int:
    """Pulses from one count to the next, across the end of the counter when it fell; without an end it may be < 0."""
    return (new - old) % modulus if modulus else new - old


@cell
class Counter(Cell):
    """State of one pulse counter: `total` pulses since the log began (or since a person set it)."""

    pace: Anchors = field(default_factory=Anchors)
    total: int = 0
    last: int = -1  # the last count believed, -1 before the first
    last_elapsed_ms: int = 0
    doubt: int = -1  # a count that fits nothing yet, -1 for none
    doubt_elapsed_ms: int = 0
    doubt_added: int = 0  # pulses it stands for if it proves true
    restarts: int = 0  # gaps of unknown size in the total
    spare: float = ALLOWANCE  # pulses that may come at once; below 0 after stutter
    refused: int = 0  # pulses that were not counted: no meter passes so much
    behind: int = 0  # pulses that ran back and are not made up yet
    slow: int = 0  # pulses counted below the meter's least flow, where it passes more than it tells
    missed: bool = False  # the module did not answer since the last count believed
    lost: bool = False  # of a register that reading clears: what it held may have gone since the last increment
    # where the last step began, to share it over a midnight
    before_ms: int = -1
    before_total: int = 0
    # what one pulse is worth may change: what passed before is kept as it was reckoned then
    era: int = 0  # 0 before the first of the spec's changes, 1 from it on, ...
    base_total: int = 0
    base_m3: float = 0.0
    base_kg: float = 0.0
    # the meter's dial when a person last read it, and our total then; `dial_ms` UTC, -1 for never
    dial_m3: float = 0.0
    dial_ours_m3: float = 0.0
    dial_ms: int = -1

    def step(self, raw: Count | None, elapsed_ms: int, spec: MeterSpec) -> int:
        """Take one poll; the Reason of the total after it. `raw` None (no answer) changes nothing: NO_ANSWER.

        `spec`: the figures in force, `now` of the meter's.
        """
        if raw is None:
            self.missed = True
            return Reason.NO_ANSWER
        count = int(raw) % spec.modulus if spec.modulus else int(raw)
        if self.last < 0:
            self._believe(count, elapsed_ms)
            self.before_ms, self.spare = elapsed_ms, most_pulses(0, spec)
            self.pace.begin(elapsed_ms)
            return Reason.GOOD
        gap_ms = elapsed_ms - self.last_elapsed_ms
        limit = most_pulses(gap_ms, spec, fell=count < self.last)
        pulses = count - self.last
        if pulses < 0:
            pulses = wrapped_step(self.last, count, spec.modulus)
        if 0 <= pulses <= limit:
            return self._flowed(pulses, count, gap_ms, elapsed_ms, spec)
        if self._ran_back(pulses, count, gap_ms, limit, spec):
            self.behind += -pulses % spec.modulus if spec.modulus else -pulses
            self._believe(count, elapsed_ms)
            return Reason.COUNTER_RAN_BACK
        if self.doubt >= 0:
            more = wrapped_step(self.doubt, count, spec.modulus)
            if 0 <= more <= most_pulses(elapsed_ms - self.doubt_elapsed_ms, spec):
                return self._confirmed(pulses, more, count, elapsed_ms, spec)
        fell = count < self.last
        self.doubt, self.doubt_elapsed_ms = count, elapsed_ms
        self.doubt_added = count if fell and count <= limit else 0
        return Reason.COUNTER_RESTARTED if fell else Reason.COUNTER_STEP_REFUSED

    def _flowed(self, pulses: int, count: int, gap_ms: int, elapsed_ms: int, spec: MeterSpec) -> int:
        """A step that can be flow, unless too many such steps come one after another."""
        per_ms = spec.max_per_ms
        spare = self.spare + OVERLOAD * per_ms * gap_ms - pulses
        most = OVERLOAD * per_ms * LATE_MS + ALLOWANCE
        self.spare = most if spare > most else -OWED if spare < -OWED else spare
        if pulses:
            if spare < 0:
                self.refused += pulses
                self._believe(count, elapsed_ms)
                self.pace.begin(elapsed_ms)
                return Reason.METER_STUTTER
            self._add(pulses, count, elapsed_ms, spec)
        else:
            self._believe(count, elapsed_ms)
        if spec.modulus and per_ms * (gap_ms + LATE_MS) + ALLOWANCE >= spec.modulus:
            self._unknown(elapsed_ms)
            return Reason.COUNTER_RESTARTED
        return Reason.COUNTER_RAN_BACK if self.behind else Reason.GOOD

    def _ran_back(self, pulses: int, count: int, gap_ms: int, limit: float, spec: MeterSpec) -> bool:
        """Whether a step is a little way back, and no restart can have been."""
        if self.missed or gap_ms > UNSEEN_MS or count <= limit:
            return False
        back = -pulses % spec.modulus if spec.modulus else -pulses
        return 0 < back <= limit

    def _confirmed(self, pulses: int, more: int, count: int, elapsed_ms: int, spec: MeterSpec) -> int:
        """The doubtful count is followed by one that fits it: the counter goes on from there."""
        fell = self.doubt < self.last
        jump, took_ms = self.doubt - self.last, self.doubt_elapsed_ms - self.last_elapsed_ms
        if not fell and jump <= min(STUTTER_MOST, REED_PER_MS * took_ms):
            self.refused += pulses
            self.spare = -OWED
            self._believe(count, elapsed_ms)
            self.pace.begin(elapsed_ms)
            return Reason.METER_STUTTER
        self.behind = 0
        self._add(self.doubt_added + more, count, elapsed_ms, spec)
        self._unknown(elapsed_ms)
        return Reason.GOOD if fell else Reason.COUNTER_RESTARTED

    def add(self, raw: Count | None, fault: int, elapsed_ms: int, spec: MeterSpec) -> int:
        """Take one poll of a register that reading clears; the Reason of the total after it.

        `raw` is what came since the last reading, and is added this one time. The first is what came before the log
        began. None with a `fault` under which the register may have been read: what it held is gone.
        """
        if raw is None:
            if fault in UNTOUCHED or self.last < 0 or self.lost:
                return fault
            self.doubt_stored(elapsed_ms)
            return Reason.COUNTS_LOST
        count = int(raw)
        if self.last < 0:
            self._believe(count, elapsed_ms)
            self.before_ms = elapsed_ms
            self.pace.begin(elapsed_ms)
            return Reason.GOOD
        gap_ms = elapsed_ms - self.last_elapsed_ms
        limit = most_pulses(gap_ms, spec)
        lost, self.lost = self.lost, False
        if count > limit:  # no flow: what there was is not known
            self._unknown(elapsed_ms)
            self.refused += count
            self._believe(count, elapsed_ms)
            return Reason.COUNTER_STEP_REFUSED
        self._add(count, count, elapsed_ms, spec)
        if not lost and spec.modulus and most_pulses(gap_ms, spec, fell=True) >= spec.modulus:  # it may have gone round
            lost = True
            self._unknown(elapsed_ms)
        return Reason.COUNTS_LOST if lost else Reason.GOOD

    def doubt_stored(self, elapsed_ms: int) -> None:
        """What was read of a register that reading clears may not be in the log: the total is at least this."""
        if self.last >= 0 and not self.lost:
            self.lost = True
            self._unknown(elapsed_ms)

    def volume(self, spec: MeterSpec) -> float:
        """The total in m3: each pulse at its worth when it was counted."""
        return self.volume_of(self.total, spec)

    def volume_of(self, total: int, spec: MeterSpec) -> float:
        """What the total was in m3 at so many pulses, counted since the worth of a pulse last changed."""
        now = spec.changes[self.era - 1].spec if self.era else spec
        return self.base_m3 + (total - self.base_total) * now.pulse_m3

    def mass(self, spec: MeterSpec) -> float:
        """The total in kg, 0 for what is no water."""
        now = spec.changes[self.era - 1].spec if self.era else spec
        return self.base_kg + (self.total - self.base_total) * now.pulse_m3 * now.density

    def now(self, spec: MeterSpec) -> MeterSpec:
        """The figures in force."""
        return spec.changes[self.era - 1].spec if self.era else spec

    def turn(self, spec: MeterSpec, at_ms: int) -> bool:
        """Let a change of the spec whose time has come take force; True when one did."""
        era = sum(c.from_ms <= at_ms for c in spec.changes)
        if era <= self.era:  # a clock set back undoes nothing
            return False
        self.rebase(spec, era)
        change = spec.changes[era - 1]
        if change.dial_m3 is not None and self.last >= 0:  # what a new meter showed, if we watched it come
            self.dial_m3, self.dial_ours_m3, self.dial_ms = change.dial_m3, self.base_m3, at_ms
        return True

    def rebase(self, was: MeterSpec, era: int) -> None:
        """Go on under another era, or another spec: the total stays what it is under the figures until now.

        Both in m3 and in kg. A rate is not taken across it.
        """
        self.base_m3, self.base_kg, self.base_total = self.volume(was), self.mass(was), self.total
        self.era = era
        if self.last >= 0:
            self.pace.begin(self.last_elapsed_ms)

    def rate(self, elapsed_ms: int, spec: MeterSpec) -> float | None:
        """Flow in m3/h, None while nothing can be said; see `pulse_rate`."""
        flow = self.pace.flow(elapsed_ms, self.now(spec))
        return None if flow is None else flow.rate

    def mass_rate(self, elapsed_ms: int, spec: MeterSpec) -> float | None:
        """Flow in kg/h, None while nothing can be said or where it is no water."""
        rate, density = self.rate(elapsed_ms, spec), self.now(spec).density
        return rate * density if rate is not None and density else None

    def _unknown(self, elapsed_ms: int) -> None:
        """What passed is not known: no rate can be taken across it."""
        self.restarts += 1
        self.pace.begin(elapsed_ms)

    def _believe(self, count: int, elapsed_ms: int) -> None:
        self.before_ms, self.before_total = self.last_elapsed_ms, self.total
        self.last, self.last_elapsed_ms, self.doubt, self.missed = count, elapsed_ms, -1, False

    def _add(self, pulses: int, count: int, elapsed_ms: int, spec: MeterSpec) -> None:
        """Count pulses, less what has to be made up."""
        gap_ms = elapsed_ms - self.last_elapsed_ms
        self._believe(count, elapsed_ms)
        if self.behind:
            made_up = min(self.behind, pulses)
            self.behind -= made_up
            pulses -= made_up
        if pulses:
            self.total += pulses
            self.pace.pulses(pulses, elapsed_ms, gap_ms)
            if self.pace.below(elapsed_ms, spec):
                self.slow += pulses


def most_pulses(gap_ms: int, spec: MeterSpec, *, fell: bool = False) -> float:
    """The most pulses that can be flow, a time after the last count believed: a quarter above max_rate is let be.

    `fell`: the count went down. Whether that is a rollover is judged by max_rate itself.
    """
    return (1.0 if fell else OVERLOAD) * spec.max_per_ms * (gap_ms + LATE_MS) + ALLOWANCE
