"""One boiler's probe in one group: loop verdict, compensation, correction, verdicts on the signal, sample, reading.

Called by `senses.take`; mutates the cells it is given. Pure. May import: daemon.core, this room.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from daemon.core.outcome import Derived
from daemon.core.reasons import Quality, Reason, quality
from daemon.measure import blow as blows
from daemon.measure import boiler_state, liveness, sampling, watch
from daemon.measure.correction import at_25, corrected
from daemon.measure.current_loop import Line
from daemon.measure.looks import good_value, role_now

if TYPE_CHECKING:
    from daemon.measure.senses import BoilerCell, Senses, Taken
    from daemon.measure.wiring import BoilerWiring


@dataclass(frozen=True, slots=True)
class Around:
    """`probe_taken`: the sample valve of a boiler that shares the probe is open, or not known to be shut;
    `line_open`: a boiler that shares the blow line blows."""

    probe_taken: bool = False
    line_open: bool = False


ALONE: Final = Around()
REFILLED: Final = 0.7  # of the last reading before the boiler stood (common practice, no source)
_WORSE: Final = {Quality.GOOD: 0, Quality.UNCERTAIN: 1, Quality.BAD: 2}


def follow(
    s: Senses,
    b: BoilerCell,
    w: BoilerWiring,
    verdict: list[int] | None,
    opened: bool | None,
    around: Around,
    steaming: bool,
    dt: int,
    out: Taken,
) -> None:
    """Take one group's view of the probe. `verdict`: those of its module, None where that was not polled."""
    t, at = s.t, s.at
    line, smp, rule = w.probe_line, b.sampler, w.sample_rule
    assert line is not None
    value, why = s.values[w.probe], s.reasons[w.probe]
    read_now = verdict is not None
    _signal_kind(b, w)
    opened, mine = _own(b, w, opened, around, t)
    flows = mine and _proven(s, w) and sampling.flowing(smp, rule, t, opened, steaming)
    celsius = _temperature(s, b, w, flows, around.line_open)
    if value is not None:
        raw = value
        end = _at_an_end(line, value)
        why = end or why
        c = b.correction
        value, doubt = at_25(value, w.compensation, celsius, c.act > 0)
        if value is None:
            why = doubt
        else:
            why = why or doubt
            if c.act:
                value = corrected(value, c.gain, c.zero, c.offset)
        if read_now:
            if not steaming:
                watch.idle(b.watch)
            if value is not None:
                seen = watch.judge(
                    b.watch, w.watch_rule, raw, value, t, flows, bool(end) or why in _LOOP, smp.held, smp.opening
                )
                why = _worse(why, seen)
                if b.watch.rate.stepped_ms == t:
                    b.ref = b.blow.sampled = b.blow.last = None  # a step is no fall: it says nothing of the valve
            pause = smp.shut_ms if steaming and opened is False and mine and not smp.short else -1
            usable = None if end or quality(why) is Quality.BAD else raw
            if not rule.said and rule.valve_known:
                liveness.learn(b.watch.live, usable, t, pause, w.watch_rule.span, w.watch_rule.resolution)
        elif value is not None:
            why = _worse(why, b.watch.reason)
    now = _sampled(s, b, w, opened, steaming, mine, celsius, value, why, read_now)
    if now == Reason.BOILER_OFF and b.state.state == boiler_state.HOT_STANDBY:
        now = int(Reason.STANDBY)
    if now in (Reason.RANGE_LOW_END, Reason.RANGE_HIGH_END) and not smp.sees:
        now = int(Reason.NOT_SAMPLING)  # at an end of the range, but no sample flows: says nothing
    if now == Reason.RANGE_LOW_END:
        b.low_end_ms = t if b.low_end_ms < 0 else b.low_end_ms
    elif read_now and value is not None:
        b.low_end_ms = -1
    if verdict is not None:
        s.reasons[w.probe] = now
        channel = w.probe_at[1]
        # over the plain verdict of its channel (of a shared probe, that of the boiler it sees)
        if (mine or smp.mixed) and not (verdict[channel] and not now):
            verdict[channel] = now
    _reading(b, w, at, steaming, dt, out)


_LOOP: Final = (Reason.UNDER_RANGE, Reason.OVER_RANGE)


def _worse(a: int, b: int) -> int:
    """The reason that takes more from a reading; of equal ones the first, but a reading that may not clear wins."""
    if b in sampling.DOUBTED and quality(a) is not Quality.BAD and a != Reason.RANGE_HIGH_END:
        return b
    return b if _WORSE[quality(b)] > _WORSE[quality(a)] else a


def _signal_kind(b: BoilerCell, w: BoilerWiring) -> None:
    """Held or live: what was learned takes effect between openings, so that no sample counts twice or never."""
    if b.sampler.open_ms < 0 and not b.sampler.due:
        b.sampler.held = watch.taken_as_held(b.watch.live, w.sample_rule.said, w.sample_rule.held)


def _own(b: BoilerCell, w: BoilerWiring, opened: bool | None, around: Around, t: int) -> tuple[bool | None, bool]:
    """The sample valve as this boiler's sampler is to see it, and whether the probe can be seeing this boiler."""
    smp = b.sampler
    if not w.sample_rule.shared:
        return opened, True
    smp.mixed = around.probe_taken and opened is not False
    if smp.mixed and smp.open_ms >= 0:
        smp.open_ms, smp.flushed_ms, smp.recent = t, -1, ()  # once alone again, the line flushes anew
    if around.probe_taken and opened is False:
        smp.due = False  # what comes is the neighbour's
        smp.shut_ms = smp.flow_ms = -1
    always = w.sample_rule.arrangement in ("continuous", "side-stream")
    if always and (smp.mixed or not opened):
        smp.flow_ms = -1
    return opened, not smp.mixed and (opened is True or not around.probe_taken)


def _proven(s: Senses, w: BoilerWiring) -> bool:
    """Flow of a side-stream sample, where a contact proves it."""
    return w.flow.slot < 0 or role_now(s, w.flow) is True


def _temperature(s: Senses, b: BoilerCell, w: BoilerWiring, flows: bool, neighbour: bool) -> float | None:
    """The probe's temperature where it can be used."""
    slot = w.probe_temperature
    celsius = good_value(s, slot)
    if celsius is None:
        return None
    if s.read_ms[slot] == s.t:
        kpa = good_value(s, w.steam_pressure)
        why = watch.temperature(b.watch, w.watch_rule, celsius, kpa, s.t, flows, neighbour)
        if why and s.reasons[slot] == 0:
            s.reasons[slot] = why
            return None
    return celsius


def _sampled(
    s: Senses,
    b: BoilerCell,
    w: BoilerWiring,
    opened: bool | None,
    steaming: bool,
    mine: bool,
    celsius: float | None,
    value: float | None,
    why: int,
    read_now: bool,
) -> int:
    """The probe's reason once the sample line has had its say."""
    smp, rule = b.sampler, w.sample_rule
    if rule.arrangement == "side-stream" and steaming:
        hot = celsius is not None and celsius > w.sample_hottest
        if hot or not _proven(s, w):
            smp.fresh = smp.ended = smp.sees = False
            smp.flow_ms = -1
            stops = int(Reason.SAMPLE_TOO_HOT if hot else Reason.NOT_SAMPLING)
            return why if quality(why) is Quality.BAD else stops
    if steaming and not rule.valve_known and rule.arrangement in ("timed", "hold"):
        by_heat = watch.stands(b.watch, w.watch_rule, celsius, good_value(s, w.steam_pressure), s.t)
        if by_heat is not None and (stops := _by_heat(smp, rule, by_heat, s.t)):
            return why if quality(why) is Quality.BAD else stops
    if not mine and not smp.mixed and steaming:
        smp.fresh = smp.ended = smp.sees = False
        sampling.sample(smp, rule, s.t, s.at, opened, steaming, None, why, False)
        return why if quality(why) is Quality.BAD else int(Reason.NOT_SAMPLING)
    return sampling.sample(smp, rule, s.t, s.at, opened, steaming, value, why, read_now)


def _by_heat(smp: sampling.Sampler, rule: sampling.SampleRule, stands: bool, t: int) -> int:
    """Why the probe sees no sample now, as its temperature tells: none flows, or the line still flushes; 0: it does."""
    if not stands and smp.flow_ms < 0:
        smp.flow_ms = t
    if not stands and t - smp.flow_ms >= rule.flush_ms:
        return 0
    smp.fresh = smp.ended = smp.sees = False
    smp.recent = ()
    if stands:
        smp.flow_ms = -1
        return int(Reason.NOT_SAMPLING)
    return int(Reason.FLUSHING)


def _reading(b: BoilerCell, w: BoilerWiring, at: int, steaming: bool, dt: int, out: Taken) -> None:
    """A new representative reading, and what hangs on it."""
    smp = b.sampler
    if smp.fresh:
        b.steamed_ms = 0
        assert smp.value is not None
        out.derived.append(Derived(w.tag_conductivity, smp.value, smp.reason))
        if w.tag_solids >= 0:
            out.derived.append(Derived(w.tag_solids, smp.value * w.solids_factor, smp.reason))
        blows.note_reading(b.blow, smp.value)
        if not b.steam_value_known and b.last_run is not None and smp.value < REFILLED * b.last_run:
            b.reached_band = False  # it was let down and filled anew while it did not steam
        b.last_run, b.steam_value_known = smp.value, True
        low = w.limits.low
        if low is not None and smp.value >= max(low, (w.set_point or low) - w.differential):
            b.reached_band = True
    elif steaming:
        b.steamed_ms += dt
    if not steaming:
        b.ref, b.steam_value_known = None, False
    elif smp.fresh and b.ref is None:
        b.ref = smp.value


def _at_an_end(line: Line, value: float) -> int:
    """RANGE_HIGH_END or RANGE_LOW_END where a value rests at the top or bottom of its range, else 0."""
    ma = line.low_ma + (line.zero + (value - line.low) / line.gain - line.low_count) * line.ma_gain
    if ma >= line.top_ma - line.tolerance_ma:
        at_top = True
    elif ma <= line.bottom_ma + line.tolerance_ma:
        at_top = False
    else:
        return 0
    if line.gain * line.ma_gain < 0:  # more current is less
        at_top = not at_top
    return int(Reason.RANGE_HIGH_END if at_top else Reason.RANGE_LOW_END)
