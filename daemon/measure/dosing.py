"""What the chemical pumps were commanded to do, what was fed, what left the tanks, and whether pumps ran as paced.

Pure. May import: config, daemon.core, this room. A relay shows a command: litres from it are run time times a rate,
good only with the date of a draw-down test. The level of a tank shows what left it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from daemon.core.cells import Cell, cell
from daemon.core.reasons import Quality, Reason, quality
from daemon.measure import pacing
from daemon.measure.boiler_state import HOT_STANDBY, OFF
from daemon.measure.dosing_rules import (
    DAY_S,
    DRAWN,
    FED,
    KNOWN,
    L_PER_M3,
    ON,
    REFILLED,
    SEEN,
    UNSURE,
    DosingRules,
    PumpRule,
    TankRule,
)
from daemon.measure.figure import Figure, first_reason, whole_day
from daemon.measure.manual import latest
from daemon.measure.pacing import PacingCell
from daemon.measure.window import HOUR_MS, Sums

if TYPE_CHECKING:
    from daemon.measure.senses import Senses

REFILL_SHARE: Final = 0.005  # of the tank: a rise beyond it from one mean to the next is a refill
REFILL: Final = "refill"  # what it is entered as
REFILL_APART_MS: Final = 12 * HOUR_MS  # a refill is entered within a shift of it
FEWEST: Final = 3  # readings of a level that make a mean


@cell
class TankCell(Cell):
    """The level's present mean, and the one before it (-1 when there is none)."""

    total: float = 0.0
    readings: int = 0
    before: float = 0.0
    known: bool = False
    ms: int = 0  # since the mean before
    rise: float = 0.0  # L by which the level last rose, 0 once it is known what was filled in
    rise_at: int = 0  # UTC ms
    rising: bool = False
    filled: float = 0.0  # L entered as filled in, 0 once the rise was seen
    filled_at: int = 0
    act: int = 0  # of the refill last taken


def follow_tanks(cells: list[TankCell], rules: DosingRules, s: Senses, sums: Sums, dt: int, ten_minutes: bool) -> None:
    """Take one group's view of the levels; every ten minutes set the mean against the one before."""
    for c, r in zip(cells, rules.tanks, strict=True):
        c.ms += dt
        value = s.values[r.slot]
        if value is not None and quality(s.reasons[r.slot]) is not Quality.BAD and s.read_ms[r.slot] == s.t:
            c.total += value
            c.readings += 1
        if ten_minutes and c.readings >= FEWEST:
            _compare(c, r, sums, s.at)


def take_refills(cells: list[TankCell], rules: DosingRules, s: Senses, sums: Sums) -> None:
    """A refill has been entered: with the rise that was seen, or is to come, it tells what was drawn meanwhile."""
    for c, r in zip(cells, rules.tanks, strict=True):
        entered = latest(s.results, r.name, REFILL)
        if entered is not None and entered.act > c.act:
            c.act, c.filled, c.filled_at = entered.act, entered.value, entered.taken_at
            _settle(c, r, sums)


def _settle(c: TankCell, r: TankRule, sums: Sums) -> None:
    if c.rise and c.filled and not c.rising and abs(c.filled_at - c.rise_at) <= REFILL_APART_MS:
        sums.now[r.base + DRAWN] += max(0.0, c.filled - c.rise)
        sums.now[r.base + KNOWN] += TEN_MINUTES_MS
        c.rise = c.filled = 0.0


def _compare(c: TankCell, r: TankRule, sums: Sums, at: int) -> None:
    mean = r.spec.holds(c.total / c.readings)[0] * L_PER_M3
    if c.known:
        fell = c.before - mean
        if fell < -REFILL_SHARE * r.litres:
            sums.now[r.base + REFILLED] -= fell
            c.rise, c.rise_at = (c.rise if c.rising else 0.0) - fell, at  # one refill may show in two means
            c.rising = True
        else:
            sums.now[r.base + DRAWN] += fell
            sums.now[r.base + KNOWN] += c.ms
            c.rising = False
            _settle(c, r, sums)
    c.before, c.known = mean, True
    c.total, c.readings, c.ms = 0.0, 0, 0


def follow_pumps(
    cells: list[PacingCell], rules: DosingRules, s: Senses, sums: Sums, passed: Sequence[float], dt: int, gap: bool
) -> None:
    """Take one group's view of the pumps. `passed`: m3 through each meter; `gap`: time went by unwatched before."""
    now = sums.now
    for c, r in zip(cells, rules.pumps, strict=True):
        contact = s.contacts[r.slot]
        pump = None if contact.on is None or s.contact_reasons[r.slot] else contact.on == r.when
        if pump is not None:
            now[r.base + SEEN] += dt
            if pump:
                now[r.base + ON] += dt
        if r.plan.fed_by == "rate":
            _by_rate(r, s, now, pump, dt)
        elif r.meter is not None:
            now[r.base + FED] += passed[r.meter[0]] * 1000
        if r.pacing is not None:
            if gap or pump is None:
                pacing.spoil(c)
            else:
                _pace(c, r, s, rules, pump, passed, dt)


def _by_rate(r: PumpRule, s: Senses, now: list[float], pump: bool | None, dt: int) -> None:
    speed: float | None = 100.0
    if r.speed_slot >= 0:
        speed = None if quality(s.reasons[r.speed_slot]) is Quality.BAD else s.values[r.speed_slot]
    if pump is None or (pump and speed is None):
        now[r.base + UNSURE] += dt
    elif pump and speed is not None:
        now[r.base + FED] += r.rate_l_h * max(0.0, speed) / 100 * dt / HOUR_MS


def _pace(
    c: PacingCell, r: PumpRule, s: Senses, rules: DosingRules, pump: bool, passed: Sequence[float], dt: int
) -> None:
    p, at = r.pacing, s.at
    assert p is not None
    if p.boilers:
        blowing = False
        for i in p.boilers:
            b = s.boilers[i]
            if not b.valve_read:
                pacing.spoil(c)
                return
            if b.valve == 1:
                blowing = True
        if p.way == "with blow":
            pacing.with_blow(c, p, pump, blowing, dt, at)
        else:
            pacing.after_blow(c, p, pump, blowing, _feeding(r, s), dt, at)
    elif p.way == "share of time":
        pacing.share_of_time(c, p, pump, _feeding(r, s), dt, at)
    elif p.way == "schedule":
        local = datetime.fromtimestamp(at / 1000, UTC).astimezone(rules.zone)
        of_day = local.hour * 3600 + local.minute * 60 + local.second
        week_ms = (local.weekday() * DAY_S + of_day) * 1000 + local.microsecond // 1000
        pacing.schedule(c, p, pump, week_ms, dt, at)
    else:
        pacing.by_volume(c, p, pump, sum(passed[i] for i in p.meters), dt, at)


def _feeding(r: PumpRule, s: Senses) -> bool:
    """Whether a boiler that the pump serves is running; a pump that serves none always may."""
    for i in r.serves:
        state = s.boilers[i].state.state
        if state != OFF and state != HOT_STANDBY:
            return True
    return not r.serves


def pump_figures(r: PumpRule, c: PacingCell, s: Senses, sums: Sums, tanks: Sequence[TankRule]) -> list[Figure]:
    """What is said of one pump now."""
    b, short = r.base, whole_day(sums)
    unread = s.contact_reasons[r.slot]
    seen = sums.of(b + SEEN)
    relay = 0 if seen else unread or int(Reason.NOT_KNOWN_YET)
    hours = sums.of(b + ON) / HOUR_MS
    out = [Figure(r.tag_commanded, hours if seen else None, first_reason(relay, short))]
    if r.tag_fed >= 0:
        fed, why = _fed(r, sums, tanks, relay, short)
        out.append(Figure(r.tag_fed, fed, why))
        if r.tag_dose >= 0:
            out.append(_dose(r, sums, fed, why))
    if r.tag_pacing >= 0:
        why = unread or (int(Reason.NOT_JUDGED_YET) if c.verdict == pacing.NOT_JUDGED else 0)
        bad = quality(why) is Quality.BAD
        out.append(Figure(r.tag_pacing, None if bad else float(c.verdict), why))
    return out


def _fed(r: PumpRule, sums: Sums, tanks: Sequence[TankRule], relay: int, short: int) -> tuple[float | None, int]:
    if r.plan.fed_by == "tank":
        f = tank_figure(tanks[r.tank], sums)
        return f.value, f.reason
    fed = sums.of(r.base + FED)
    if r.plan.fed_by == "rate":
        if relay:
            return None, relay
        unsure = sums.of(r.base + UNSURE) > UNSURE_SHARE * sums.of(0)
        return fed, first_reason(
            0 if r.dated else int(Reason.NOMINAL_RATE), int(Reason.RESTS_ON_UNCERTAIN) if unsure else 0, short
        )
    return fed, first_reason(0 if r.dated else int(Reason.NOMINAL_RATE), short)


UNSURE_SHARE: Final = 0.05  # of the time watched


def _dose(r: PumpRule, sums: Sums, fed: float | None, why: int) -> Figure:
    """mL fed for each m3 of makeup."""
    makeup = sum(sums.of(m) for m in r.makeup)
    if fed is None:
        return Figure(r.tag_dose, None, why)
    if makeup <= 0:
        return Figure(r.tag_dose, None, int(Reason.NOTHING_FLOWED))
    return Figure(r.tag_dose, fed * 1000 / makeup, why)


def tank_figure(r: TankRule, sums: Sums) -> Figure:
    """What left a tank."""
    known = sums.of(r.base + KNOWN)
    if not known:
        return Figure(r.tag, None, int(Reason.NOT_KNOWN_YET))
    part = known < (1 - UNSURE_SHARE) * sums.of(0) - 2 * TEN_MINUTES_MS
    why = first_reason(int(Reason.RESTS_ON_UNCERTAIN) if part else 0, whole_day(sums))
    return Figure(r.tag, max(0.0, sums.of(r.base + DRAWN)), why)


TEN_MINUTES_MS: Final = 600_000
