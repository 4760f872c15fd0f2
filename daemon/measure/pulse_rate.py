"""Flow from pulses: over a window that suits slow ones, with bounds, and falling honestly when none come.

The window runs from one pulse to another, at least a minute and eight pulses long, at most ten minutes where there
are two pulses in them. Each pulse is known to the poll, so that few pulses give bounds and not a number: n pulses in
a window of t, polled every p, are a flow between n / (t + p) and n / (t - p), or between n - 1 and n + 1 pulses in t
where that is narrower. While none comes it is no more than one pulse in the time since the last. After a pause much
longer than the pulses before it the window begins anew. Below the meter's least flow it is 0.

Pure. May import: config, daemon.core.
"""

from __future__ import annotations

from typing import Final, NamedTuple

from daemon.core.cells import Cell, cell
from daemon.core.reasons import Reason
from daemon.measure.meter_spec import HOUR_MS, MeterSpec

WINDOW_MS: Final = 60_000
ENOUGH: Final = 8  # pulses
LONGEST_MS: Final = 600_000
PAUSE: Final = 4.0  # times the time between pulses before
_GOOD, _BELOW, _FEW = int(Reason.GOOD), int(Reason.BELOW_MINIMUM_FLOW), int(Reason.FEW_PULSES)
ROUGH: Final = 1.25  # bounds further apart than this make a rate uncertain


class Flow(NamedTuple):
    """A flow and its bounds in m3/h; `reason` of it: GOOD, FEW_PULSES or BELOW_MINIMUM_FLOW."""

    rate: float
    low: float
    high: float
    reason: int
    below: bool = False  # surely below the least flow: the meter passes more than it tells


@cell
class Anchors(Cell):
    """The instants a rate is taken between, -1 for none: the newest pulses, and two anchors before them."""

    old_ms: int = -1
    old_n: int = 0
    mid_ms: int = -1
    mid_n: int = 0
    new_ms: int = -1
    new_n: int = 0
    poll_ms: int = 0  # the longest gap between two polls in which a pulse of this window came
    paused: bool = False  # the window spans a pause: the next pulse ends it
    first_ms: int = -1  # the first count of this stretch
    told: float = 0.0  # the last rate that was derived, pulses a ms

    def begin(self, elapsed_ms: int) -> None:
        """No rate can be taken across this moment; from here on nothing has been counted."""
        self.first_ms = elapsed_ms
        self.old_ms = self.mid_ms = self.new_ms = -1
        self.paused = False

    def pulses(self, n: int, elapsed_ms: int, gap_ms: int) -> None:
        """So many pulses came within the last `gap_ms`."""
        new_n = self.new_n + n
        if self.mid_ms < 0:  # the first pulses: from here on time can be told
            self.mid_ms, self.mid_n, self.poll_ms = elapsed_ms, new_n, gap_ms
        elif self.old_ms < 0 or self.paused:
            self.old_ms, self.old_n, self.paused = self.mid_ms, self.mid_n, False
        elif elapsed_ms - self.new_ms > max(WINDOW_MS, PAUSE * self._spacing_ms()):
            self.old_ms, self.old_n = self.new_ms, self.new_n
            self.mid_ms, self.mid_n = elapsed_ms, new_n
            self.poll_ms, self.paused = gap_ms, True
        elif elapsed_ms - self.mid_ms >= LONGEST_MS or (
            elapsed_ms - self.mid_ms >= WINDOW_MS and new_n - self.mid_n >= ENOUGH
        ):
            self.old_ms, self.old_n = self.mid_ms, self.mid_n
            self.mid_ms, self.mid_n, self.poll_ms = elapsed_ms, new_n, gap_ms
        self.poll_ms = max(self.poll_ms, gap_ms)
        self.new_ms, self.new_n = elapsed_ms, new_n

    def _spacing_ms(self) -> float:
        return (self.new_ms - self.old_ms) / (self.new_n - self.old_n)

    def below(self, elapsed_ms: int, spec: MeterSpec) -> bool:
        """Whether the flow is surely below the meter's least; `flow` says the same at more cost."""
        t = self.new_ms - self.old_ms
        if self.old_ms < 0 or t <= 0 or self.new_n - self.old_n >= spec.least_per_ms * t:
            return False  # no flow, or one whose middle is not below
        flow = self.flow(elapsed_ms, spec)
        return flow is not None and flow.below

    def flow(self, elapsed_ms: int, spec: MeterSpec) -> Flow | None:
        """The flow when nothing came from the newest pulse until `elapsed_ms`; None while nothing can be said.

        A meter that has not moved for a minute since its first reading stands still: 0, and at most one pulse in the
        time.
        """
        if self.old_ms < 0:
            if self.new_ms >= 0 or self.first_ms < 0 or elapsed_ms - self.first_ms < WINDOW_MS:
                return None
            value = low = 0.0
            high = 1 / (elapsed_ms - self.first_ms)
        else:
            n, t, p = self.new_n - self.old_n, self.new_ms - self.old_ms, self.poll_ms
            if t <= 0:  # pulses of one instant tell no time
                return None
            value = n / t
            low, less = n / (t + p), (n - 1) / t
            if less > low:
                low = less
            high = (n + 1) / t
            if t > p and (most := n / (t - p)) < high:
                high = most
            quiet_ms = elapsed_ms - self.new_ms
            if quiet_ms > 0 and (most := 1 / quiet_ms) < high:
                value, high = min(value, most), most
                low = low if low <= most else 0.0
        reason = _GOOD
        if high < spec.least_per_ms and not low:
            value = 0.0
        elif value < spec.least_per_ms and low:
            reason = _BELOW
        elif high > ROUGH * low:
            reason = _FEW
        unit = HOUR_MS * spec.pulse_m3
        below = reason == _BELOW and high < spec.least_per_ms
        return Flow(value * unit, low * unit, high * unit, reason, below)

    def fell(self, elapsed_ms: int, spec: MeterSpec) -> bool:
        """Whether the rate has fallen to half of what was last derived, or to nothing."""
        if not self.told or self.new_ms < 0:
            return False
        quiet_ms = elapsed_ms - self.new_ms
        return quiet_ms * self.told > 2 or quiet_ms * spec.least_per_ms > 1
