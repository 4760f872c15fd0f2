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
    pace = c.pace
    read = c.last_elapsed_ms
    if day.day != calendar.day and c.last >= 0 and read == real:
        for volume, reason in day.follow(calendar, c, m.spec, at_ms, zone):
            out.append(Derived(m.tag_day, volume, reason))
        out.append(Derived(m.tag_today, *day.today(c, m.spec)))
    elif repeat and day.day >= 0:
        if day.yesterday is not None:
            out.append(Derived(m.tag_day, day.yesterday, day.yesterday_reason))
        out.append(Derived(m.tag_today, *day.today(c, m.spec)))
    spec = m.spec.changes[c.era - 1].spec if c.era else m.spec
    new = pace.new_ms == real or pace.first_ms == real or why >= _RESTARTED or why == _LOST
    if not (new or repeat or (pace.told and pace.fell(read, spec))):
        return
    flow = pace.flow(read, spec)  # as of the last count: one that cannot be read does not fall
    total_why = why or (_BELOW if flow is not None and flow.below else 0)
    pulses, pulse_m3 = c.total - c.base_total, spec.pulse_m3
    out.append(Derived(m.tag_total, c.base_m3 + pulses * pulse_m3, total_why))
    by_mass = m.tag_mass >= 0
    if by_mass:
        out.append(Derived(m.tag_mass, c.base_kg + pulses * pulse_m3 * spec.density, total_why))
    if flow is None:
        return
    rate, rate_why = flow.rate, why or flow.reason
    pace.told = rate / (HOUR_MS * pulse_m3)
    out.append(Derived(m.tag_rate, rate, rate_why))
    if by_mass:
        out.append(Derived(m.tag_mass_rate, rate * spec.density, rate_why))


_RESTARTED, _LOST, _BELOW = int(Reason.COUNTER_RESTARTED), int(Reason.COUNTS_LOST), int(Reason.BELOW_MINIMUM_FLOW)
