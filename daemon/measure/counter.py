"""Pulse counters: the total that goes on, rollovers and restarts told apart, and the rate of slow pulses.

A module counts pulses in 16, 32 or 64 bits. A count that falls is a rollover only if the step across the end is no
more than the meter can pass in the time (`max_rate` times the gap, and two pulses for the unevenness of polling).
Anything else that cannot be flow is held as a doubt for one poll:

1. the next count fits the old one: it was a misread; nothing was lost and nothing is added for it;
2. the next count fits the doubtful one: the module restarted, or was set, or the meter was changed. The total goes on
   from there. What passed between the last count before and the restart is not known and is never guessed; a count
   that began again from 0 and is itself no more than can have passed in the gap is added, so the total is then "at
   least".
3. it fits neither: it is the new doubt.

A fall is reported as COUNTER_RESTARTED at once, a jump as COUNTER_STEP_REFUSED until it is confirmed (then
COUNTER_RESTARTED). When the gap is so long that the counter may have gone round once or more, the step is added as
the least that can have passed and reported as COUNTER_RESTARTED too. A restart that lands just above the last count
cannot be told from flow.

Pure. May import: config, daemon.core.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final
from zoneinfo import ZoneInfo

from config.meter import instant, volume_of_count
from config.model import Channel, Meter
from daemon.core.reasons import Reason
from daemon.core.scan import Count
from daemon.water.steam import water_density

ALLOWANCE: Final = 2  # pulses beyond max_rate times the gap
WINDOW_MS: Final = 60_000  # the rate of fast pulses is taken over one to two of these

COLD_C: Final = 15.0  # makeup as it comes, where the plant file does not say (common practice, no source)

_BITS: Final = {"u16": 16, "s16": 16, "u32": 32, "s32": 32, "u64": 64}
_HOUR_MS: Final = 3_600_000


@dataclass(frozen=True, slots=True)
class MeterSpec:
    """What does not change about a meter. `modulus` 0: the count has no end to roll over at (f32, f64).

    `changes`: the specs that hold from instants of the plant's calendar on, in order, without changes of their own.
    """

    modulus: int
    pulse_m3: float  # for each pulse that is counted
    max_per_ms: float  # pulses a ms at max_rate
    density: float = 0.0  # kg/m3 of the water in the meter, 0 where it is none
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class Change:
    """A meter's figures from `from_ms` (UTC) on; `dial_m3`: what the dial of the new meter showed then."""

    from_ms: int
    spec: MeterSpec
    dial_m3: float | None = None


def meter_spec(meter: Meter, channel: Channel, zone: str = "UTC") -> MeterSpec:
    """The figures of a meter read from a channel; `zone` is that of the plant, for the dates of changes."""
    bits = _BITS.get(channel.type, 0)
    density = water_density(COLD_C if meter.temperature is None else meter.temperature) if meter.of_water else 0.0

    def figures(counted: float) -> MeterSpec:
        return MeterSpec(1 << bits if bits else 0, counted, meter.max_rate / counted / _HOUR_MS, density)

    changes = []
    pulse, k_factor, divider = meter.pulse, meter.k_factor, meter.divider
    for c in meter.changes:
        if c.pulse is not None or c.k_factor is not None:
            pulse, k_factor = c.pulse, c.k_factor
        divider = c.divider or divider
        from_ms = round(instant(c.from_).replace(tzinfo=ZoneInfo(zone)).timestamp() * 1000)
        changes.append(Change(from_ms, figures(volume_of_count(pulse, k_factor, divider)), c.dial))
    return replace(figures(meter.counted), changes=tuple(changes))


def wrapped_step(old: int, new: int, modulus: int) -> int:
    """Pulses from one count to the next, across the end of the counter when it fell; without an end it may be < 0."""
    return (new - old) % modulus if modulus else new - old


@dataclass(slots=True)
class Counter:
    """State of one pulse counter: `total` pulses since the log began (or since a person set it)."""

    total: int = 0
    last: int = -1  # the last count believed, -1 before the first
    last_elapsed_ms: int = 0
    doubt: int = -1  # a count that fits nothing yet, -1 for none
    doubt_elapsed_ms: int = 0
    doubt_added: int = 0  # pulses it stands for if it proves true
    restarts: int = 0  # gaps of unknown size in the total
    # three instants the rate is taken between, -1 for none: the newest pulses, and two anchors before them
    old_ms: int = -1
    old_total: int = 0
    mid_ms: int = -1
    mid_total: int = 0
    new_ms: int = -1
    new_total: int = 0
    first_ms: int = -1  # the first count of this stretch
    # what one pulse is worth may change: what passed before is kept as it was reckoned then
    era: int = 0  # 0 before the first of the spec's changes, 1 from it on, ...
    base_total: int = 0
    base_m3: float = 0.0
    base_kg: float = 0.0

    def clone(self) -> Counter:
        """An independent copy."""
        return Counter(
            self.total,
            self.last,
            self.last_elapsed_ms,
            self.doubt,
            self.doubt_elapsed_ms,
            self.doubt_added,
            self.restarts,
            self.old_ms,
            self.old_total,
            self.mid_ms,
            self.mid_total,
            self.new_ms,
            self.new_total,
            self.first_ms,
            self.era,
            self.base_total,
            self.base_m3,
            self.base_kg,
        )

    def step(self, raw: Count | None, elapsed_ms: int, spec: MeterSpec) -> int:
        """Take one poll; the Reason of the total after it. `raw` None (no answer) changes nothing: NO_ANSWER."""
        if raw is None:
            return Reason.NO_ANSWER
        count = int(raw) % spec.modulus if spec.modulus else int(raw)
        if self.last < 0:
            self._start(count, elapsed_ms)
            return Reason.GOOD
        gap_ms = elapsed_ms - self.last_elapsed_ms
        limit = _limit(gap_ms, spec)
        pulses = wrapped_step(self.last, count, spec.modulus)
        if 0 <= pulses <= limit:
            self.doubt = -1
            self._add(pulses, count, elapsed_ms)
            if spec.modulus and limit >= spec.modulus:
                self._unknown(elapsed_ms)
                return Reason.COUNTER_RESTARTED
            return Reason.GOOD
        if self.doubt >= 0:
            more = wrapped_step(self.doubt, count, spec.modulus)
            if 0 <= more <= _limit(elapsed_ms - self.doubt_elapsed_ms, spec):
                was_fall = self.doubt < self.last
                self._add(self.doubt_added + more, count, elapsed_ms)
                self.doubt = -1
                self._unknown(elapsed_ms)
                return Reason.GOOD if was_fall else Reason.COUNTER_RESTARTED
        fell = count < self.last
        self.doubt, self.doubt_elapsed_ms = count, elapsed_ms
        self.doubt_added = count if fell and count <= limit else 0
        return Reason.COUNTER_RESTARTED if fell else Reason.COUNTER_STEP_REFUSED

    def volume(self, spec: MeterSpec) -> float:
        """The total in m3: each pulse at its worth when it was counted."""
        return self.base_m3 + (self.total - self.base_total) * self.now(spec).pulse_m3

    def mass(self, spec: MeterSpec) -> float:
        """The total in kg, 0 for what is no water."""
        now = self.now(spec)
        return self.base_kg + (self.total - self.base_total) * now.pulse_m3 * now.density

    def now(self, spec: MeterSpec) -> MeterSpec:
        """The figures in force."""
        return spec.changes[self.era - 1].spec if self.era else spec

    def turn(self, spec: MeterSpec, at_ms: int) -> bool:
        """Let a change of the spec whose time has come take force; True when one did."""
        era = sum(c.from_ms <= at_ms for c in spec.changes)
        if era <= self.era:  # a clock set back undoes nothing
            return False
        self.rebase(spec, spec, era)
        return True

    def rebase(self, was: MeterSpec, spec: MeterSpec, era: int) -> None:
        """Go on under an era of a spec: the total stays what it is under the figures until now, and grows by the new.

        Both in m3 and in kg. A rate is not taken across it.
        """
        self.base_m3, self.base_kg, self.base_total = self.volume(was), self.mass(was), self.total
        self.era = era
        self._no_rate()

    def rate(self, elapsed_ms: int, spec: MeterSpec) -> float | None:
        """Flow in m3/h, None while nothing can be said.

        Fast pulses: over the last one to two minutes of them. Slow pulses: from one to the next. While none comes it
        is no more than one pulse in the time since the last, so it falls towards zero. A meter that has not moved for
        a minute since its first reading stands still: 0.
        """
        if self.old_ms < 0:
            silent = self.new_ms < 0 and self.first_ms >= 0 and elapsed_ms - self.first_ms >= WINDOW_MS
            return 0.0 if silent else None
        seen = (self.new_total - self.old_total) / (self.new_ms - self.old_ms)
        quiet_ms = elapsed_ms - self.new_ms
        if quiet_ms > 0:
            seen = min(seen, 1 / quiet_ms)
        return seen * _HOUR_MS * self.now(spec).pulse_m3

    def mass_rate(self, elapsed_ms: int, spec: MeterSpec) -> float | None:
        """Flow in kg/h, None while nothing can be said or where it is no water."""
        rate, density = self.rate(elapsed_ms, spec), self.now(spec).density
        return rate * density if rate is not None and density else None

    def _start(self, count: int, elapsed_ms: int) -> None:
        self.last, self.last_elapsed_ms, self.first_ms = count, elapsed_ms, elapsed_ms

    def _unknown(self, elapsed_ms: int) -> None:
        """What passed is not known: no rate can be taken across it."""
        self.restarts += 1
        self._no_rate()
        self.first_ms = elapsed_ms

    def _no_rate(self) -> None:
        self.old_ms = self.mid_ms = self.new_ms = -1

    def _add(self, pulses: int, count: int, elapsed_ms: int) -> None:
        self.last, self.last_elapsed_ms = count, elapsed_ms
        if not pulses:
            return
        self.total += pulses
        if self.mid_ms < 0:  # the first pulses: from here on time can be told
            self.mid_ms, self.mid_total = elapsed_ms, self.total
        elif self.old_ms < 0 or elapsed_ms - self.mid_ms >= WINDOW_MS:
            self.old_ms, self.old_total = self.mid_ms, self.mid_total
            self.mid_ms, self.mid_total = elapsed_ms, self.total
        self.new_ms, self.new_total = elapsed_ms, self.total


def _limit(gap_ms: int, spec: MeterSpec) -> float:
    return spec.max_per_ms * gap_ms + ALLOWANCE
