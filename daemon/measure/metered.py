"""What is derived of a meter after a poll of it: total, mass, flow, and its days. Pure.

May import: config, daemon.core.
"""

from __future__ import annotations

from daemon.core.outcome import Derived
from daemon.core.reasons import Reason
from daemon.measure.counter import Counter
from daemon.measure.daily import Calendar, Daily
from daemon.measure.meter_spec import HOUR_MS
from daemon.measure.wiring import MeterWiring


def follow(
    m: MeterWiring,
    c: Counter,
    why: int,
    day: Daily,
    calendar: Calendar,
    now: tuple[int, int],
    repeat: bool,
    zone: str,
    out: list[Derived],
) -> None:
    """Add to `out` what is new; all of it when `repeat`. `now`: elapsed ms and UTC ms of the poll."""
    real, at_ms = now
    pace, spec = c.pace, c.now(m.spec)
    if c.last >= 0 and c.last_elapsed_ms == real and day.day != calendar.day:
        for volume, reason in day.follow(calendar, c, m.spec, at_ms, zone):
            out.append(Derived(m.tag_day, volume, reason))
        out.append(Derived(m.tag_today, *day.today(c, m.spec)))
    elif repeat and day.day >= 0:
        if day.yesterday is not None:
            out.append(Derived(m.tag_day, day.yesterday, day.yesterday_reason))
        out.append(Derived(m.tag_today, *day.today(c, m.spec)))
    new = pace.new_ms == real or pace.first_ms == real
    new |= why >= Reason.COUNTER_RESTARTED or why == Reason.COUNTS_LOST
    if not (new or repeat or pace.fell(c.last_elapsed_ms, spec)):
        return
    flow = pace.flow(c.last_elapsed_ms, spec)  # as of the last count: one that cannot be read does not fall
    total_why = why or (int(Reason.BELOW_MINIMUM_FLOW) if flow is not None and flow.below else 0)
    out.append(Derived(m.tag_total, c.volume(m.spec), total_why))
    if m.tag_mass >= 0:
        out.append(Derived(m.tag_mass, c.mass(m.spec), total_why))
    if flow is None:
        return
    pace.told = flow.rate / (HOUR_MS * spec.pulse_m3)
    out.append(Derived(m.tag_rate, flow.rate, why or flow.reason))
    if m.tag_mass >= 0:
        out.append(Derived(m.tag_mass_rate, flow.rate * spec.density, why or flow.reason))
