"""How a boiler's representative conductivity came about: the probe's reading, 25 °C, the correction, the sample.

`daemon.measure.correction.steps` gives the way from the loop's reading to conductivity and dissolved solids.
"""

from __future__ import annotations

from typing import Final

from config.solids import solids_of
from daemon.core.reasons import Reason, words
from daemon.core.say import minutes
from daemon.core.tags import STATES, DerivedTag, RawTag
from daemon.measure import correction
from daemon.measure.calibration import in_force, tag_of
from daemon.measure.correction import Factors
from daemon.measure.current_loop import to_reading
from daemon.measure.sampling import USABLE, interval_ms
from daemon.measure.senses import good_value
from daemon.report.explain_boiler import boiler_of, index
from daemon.report.explain_parts import Step, num
from daemon.report.explain_past import Scene
from daemon.report.explain_signal import analogue, as_read, raw_tag, taken, told

PRACTICE: Final = "common practice, no source"

_ARRANGED: Final = {
    "continuous": "every reading counts while the boiler steams, once the line has had its flush time",
    "timed": "a reading counts from the end of the flush to the shutting of the valve",
    "hold": "one reading counts, when the trapped sample has settled after the valve has shut",
    "side-stream": "every reading counts while the boiler steams, once the line has had its flush time",
    "none": "no reading counts: the probe is not sampled",
}


def probe_of(scene: Scene, boiler: str) -> RawTag:
    """The signal of a boiler's probe."""
    found = raw_tag(scene, f"{boiler}.probe")
    assert found is not None
    return found


def ends(scene: Scene, boiler: str) -> list[Step]:
    """Whether the signal rests at an end of its range."""
    _, _, w = boiler_of(scene, boiler)
    tag, line = probe_of(scene, boiler), w.probe_line
    t = taken(scene, tag)
    if line is None or line.printed or t is None or t.count is None:
        return []
    ma = line.ma(t.count)
    at = "top" if line.at_high_end(ma) else "bottom" if line.at_low_end(ma) else ""
    low, high = line.bottom_ma + line.tolerance_ma, line.top_ma - line.tolerance_ma
    rest = f"it rests at the {at} of its range" if at else "it rests at neither end"
    return [
        Step(
            "Ends of the range",
            (
                f"{num(ma)} mA; within {num(line.tolerance_ma)} mA of an end it rests there ({num(low)} mA or less, "
                f"{num(high)} mA or more): {rest}",
            ),
            source=PRACTICE,
        )
    ]


def corrected(scene: Scene, boiler: str) -> list[Step]:
    """From the loop's reading to 25 °C, the correction in the log, and dissolved solids."""
    s, _, w = boiler_of(scene, boiler)
    t, tag, i = taken(scene, probe_of(scene, boiler)), probe_of(scene, boiler), index(scene, boiler)
    if t is None or t.count is None:
        return []
    k = to_reading(t.count, tag, scene.group.at_ms).value
    if k is None:
        return []
    celsius = good_value(s, w.probe_temperature)
    solids = solids_of(scene.plant.boilers[i])
    out = []
    force = force_of(scene, boiler)
    for x in correction.steps(float(k), w.compensation, celsius, force, solids):
        put_in, equals, _ = x.formula.rpartition("=")
        worked = f"{put_in}= {scene.both(x.value, x.unit)}" if equals and x.value is not None else ""
        says = [] if worked else [x.formula]
        if x.reason:
            says.append(words(x.reason))
        source = x.source
        if x.what.startswith("compensation"):
            key = "compensation" if scene.places.given("boiler", i, "conductivity", "compensation") else "compensated"
            here = scene.places.or_default("boiler", i, "conductivity", key)
            source = here if x.source == "plant file" else f"{x.source}: {here}"
            if w.compensation.how == "linear":
                where = scene.places.or_default("boiler", i, "conductivity", "coefficient")
                source += f"; coefficient: {where}"
        elif x.what == "dissolved solids" and solids is not None:
            source = f"{x.source}: {scene.places.where('boiler', i, 'dissolved_solids')}"
        title = x.what[:1].upper() + x.what[1:]
        out.append(Step(title, tuple(says), worked=worked, source=source))
        if x.what.startswith("correction"):
            out.append(on_record(scene, boiler, force))
    return out


def force_of(scene: Scene, boiler: str) -> Factors:
    """The correction in force at the scene's instant, from the records of calibration."""
    records = scene.reader.calibrations(None, scene.group.at_ms + 1)
    versions = [(v.from_ms, scene.reader.plant(n)) for n, v in sorted(scene.past.versions.items())]
    return in_force(records, boiler, scene.group.at_ms, versions)


def on_record(scene: Scene, boiler: str, force: Factors) -> Step:
    """The records of calibration of a boiler's probe up to the scene's instant, newest first, at most three."""
    rows = []
    for c in scene.reader.calibrations(None, scene.group.at_ms + 1):
        if c.tag == tag_of(boiler):
            held = ", in force" if force.act and c.act == force.act else ""
            by = f", by {who}" if (who := c.body.get("by")) else ""
            meter = f", with {with_}" if (with_ := c.body.get("instrument")) else ""
            rows.append(f"act {c.act} ({c.kind}{held}), {scene.clock(c.from_ms)}{by}{meter}: {c.body.get('text', '')}")
    if not rows:
        says: tuple[str, ...] = ("no calibration of this probe is on record",)
    else:
        more = (f"{len(rows) - 3} older ones are on record",) if len(rows) > 3 else ()
        says = (*reversed(rows[-3:]), *more)
    return Step("Calibrations on record", says, source="records of calibration in the log")


def sample_line(scene: Scene, boiler: str) -> Step:
    """When the probe sees boiler water, and what it saw in this group."""
    s, b, w = boiler_of(scene, boiler)
    i, rule, smp = index(scene, boiler), w.sample_rule, b.sampler
    says = [f"arrangement {rule.arrangement}: {_ARRANGED.get(rule.arrangement, '')}"]
    since = f" since {scene.hour(b.state.since_at)}" if b.state.since_at else ""
    says.append(f"the boiler is {STATES[b.state.state]}{since}")
    if rule.arrangement in ("continuous", "side-stream"):
        if smp.flow_ms >= 0:
            says.append(f"sample flows for {minutes(s.t - smp.flow_ms)}; flush time {minutes(rule.flush_ms)}")
    elif not rule.valve_known:
        says.append("neither valve command nor end switch is wired: sample flow is inferred")
    elif smp.open_ms >= 0:
        done = "over" if smp.flushed_ms >= 0 else "not over"
        says.append(
            f"the valve is open for {minutes(s.t - smp.open_ms)}; travel {minutes(rule.travel_ms)} and flush "
            f"{minutes(rule.flush_ms)} are {done}"
        )
    elif smp.shut_ms >= 0:
        says.append(f"the valve is shut for {minutes(s.t - smp.shut_ms)}, and was open for {minutes(smp.last_open_ms)}")
    else:
        says.append("the valve has not been seen to open")
    every = interval_ms(smp, rule)
    if every:
        says.append(f"a sample is expected every {minutes(every)}")
    if smp.cut_short:
        says.append(f"{smp.cut_short} openings since were too short for a sample")
    says.append(
        "the signal is the probe itself (live)" if not smp.held else "the signal holds the last sample's value (held)"
    )
    says.append(
        "what the probe says now " + ("is of the boiler's water" if smp.sees else "is not of the boiler's water")
    )
    where = scene.places
    flush = where.or_default("boiler", i, "sample", "flush")
    signal = where.or_default("boiler", i, "conductivity", "signal")
    if not where.given("boiler", i, "conductivity", "signal"):
        signal = f"not written: taken as {'held' if smp.held else 'live'}"
    source = f"arrangement: {where.where('boiler', i, 'sample')}; flush: {flush}; signal: {signal}"
    return Step("Sample line", tuple(says), source=source)


def probe(scene: Scene, tag: RawTag, verdict: int) -> list[Step]:
    """What lies between the loop's verdict on a probe and the quality of its reading."""
    return [
        *ends(scene, tag.target),
        sample_line(scene, tag.target),
        Step("Quality of the probe's own reading", (told(verdict),)),
    ]


def representative(scene: Scene, tag: DerivedTag) -> list[Step]:
    """A representative reading in the group in which it was taken."""
    raw = probe_of(scene, tag.target)
    t = taken(scene, raw)
    if t is None:
        return []
    _, b, _ = boiler_of(scene, tag.target)
    usable = "; ".join(words(x) for x in sorted(USABLE) if x != Reason.GOOD)
    return [
        as_read(scene, raw, t),
        *analogue(scene, raw, t),
        *ends(scene, tag.target),
        *corrected(scene, tag.target),
        sample_line(scene, tag.target),
        Step(
            "Representative",
            (
                f"taken at {scene.clock(b.sampler.at_ms)}, of opening {b.sampler.of_opening}"
                if b.sampler.of_opening
                else f"taken at {scene.clock(b.sampler.at_ms)}",
                f"a reading of flowing sample stands for the boiler when it is good, or: {usable}",
            ),
        ),
    ]
