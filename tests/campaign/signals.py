"""Verdicts on signals over days of the demo plant: how often they are wrong, and how soon faults are found.

Quiet days are the demo without its events; eventful ones have them all (a stuck valve, an open loop, trips, leaks,
brine ...). A verdict is false where nothing of the kind was put into the plant. Faults are put into the recorded
counts of a quiet day: a last count repeated, low spikes of steam, noise, a step, at three moments each. The same days
count false alarms of the kinds that rest on what a boiler's signals, valve and controller are used to; and a seat that
leaks, of a valve whose switches see nothing of it, is found by the warmth of its sample line and by the meter.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

from config.judged import JUDGED_HERE
from config.load import loads
from config.model import Plant
from daemon.core.reasons import Reason
from daemon.core.scan import Count, Group, Scan
from daemon.engine import start, step
from drivers.demo.recording import record
from drivers.demo.scenario import DEFAULT_START_MS, Event
from tests.support.recordings import creamery

JUDGED: Final = (
    *(Reason.STEAM_AT_PROBE, Reason.VALUE_STUCK, Reason.NOT_SETTLED, Reason.NOISY, Reason.IMPOSSIBLE_RATE),
    Reason.SAMPLE_COLD,
)
B1, B2 = 0, 1  # channels of module ai, which is the first
COUNTS_A_US: Final = 52428 / 5000  # u16 of 0..20 mA, 4..20 mA = 0..5000 uS/cm
TRUE_COLD: Final = ("valve stuck shut", "bleed plugged")
COUNTED: Final = frozenset((*JUDGED_HERE, "chemical_feed_while_off"))
TRUE_IDLE: Final = "in hand"
SWITCHES: Final = (
    'open_switch = "di.b1_valve_open", shut_switch = "di.b1_valve_shut", ',
    'shut_switch = "di.b2_valve_shut", ',
)
ALARMS_OF: Final = {
    Reason.VALUE_STUCK: "probe_value_stuck",
    Reason.STEAM_AT_PROBE: "steam_at_probe",
    Reason.IMPOSSIBLE_RATE: "calibration_step",
}

Spoil = Callable[[int, Count], Count]
"""Minute since the fault began and the sound count, to what the module gives."""


def groups(hours: float, seed: int, quiet: bool, events: tuple[Event, ...] = (), every_s: int = 10) -> Iterator[Group]:
    """The demo's polls as groups; of a quiet demo with `events` alone."""
    sizes = [len(m.channels) for m in creamery().plant.modules]
    for number, row in enumerate(record(DEFAULT_START_MS, hours, every_s, seed, events if quiet else None), 1):
        scans, k = [], 0
        for module, n in enumerate(sizes):
            counts = row.counts[k : k + n]
            k += n
            scans.append(Scan(module, counts, tuple(1 if c is None else 0 for c in counts)))
        yield Group(number, row.at_ms, row.at_ms - DEFAULT_START_MS, 1, 1, tuple(scans))


Raised = tuple[tuple[str, str], ...]
"""Target and kind of the alarms raised."""


def verdicts(stream: Iterator[Group], plant: Plant | None = None) -> Iterator[tuple[float, tuple[int, int], Raised]]:
    """Minute, the reasons of both probes and what is raised, group by group."""
    state = start(plant or creamery().plant, 1)
    for group in stream:
        state, (outcome,) = step(state, [group])
        raised = tuple((e.target, e.kind) for e in outcome.journal if e.event == "raised")
        yield group.elapsed_ms / 60_000, (outcome.verdicts[0][B1], outcome.verdicts[0][B2]), raised


def false_verdicts(hours: float, seed: int, quiet: bool) -> tuple[Counter[str], int]:
    """False verdicts and alarms by name, and how many polls were judged good or bad at all."""
    from drivers.demo.scenario import running

    wrong: Counter[str] = Counter()
    polls = 0
    for minute, reasons, raised in verdicts(groups(hours, seed, quiet)):
        causes = {(e.whom, e.what) for m in (minute, minute - 20) for e in ([] if quiet else running(max(0.0, m)))}
        for target, kind in raised:
            if kind in COUNTED and not (kind == "controller_idle" and (target, TRUE_IDLE) in causes):
                wrong[f"{target} {kind}"] += 1
        for boiler, reason in zip(("B1", "B2"), reasons, strict=True):
            polls += 1
            if reason not in JUDGED:
                continue
            cold = reason == Reason.SAMPLE_COLD and any((boiler, what) in causes for what in TRUE_COLD)
            if not cold:
                wrong[f"{boiler} {Reason(reason).name}"] += 1
    return wrong, polls


def faults(seed: int) -> dict[Reason, Spoil]:
    """What each fault makes of a sound count."""
    draw = random.Random(seed)
    held: list[Count] = []

    def frozen(minute: int, count: Count) -> Count:
        held[:] = held or [count]
        return held[0]

    def steam(minute: int, count: Count) -> Count:
        return round(13107 + (count - 13107) * draw.uniform(0.4, 0.85)) if draw.random() < 0.35 else count

    def noise(minute: int, count: Count) -> Count:
        return round(count + draw.gauss(0, 45) * COUNTS_A_US)

    def jump(minute: int, count: Count) -> Count:
        return round(count + 900 * COUNTS_A_US)

    return {
        Reason.VALUE_STUCK: frozen,
        Reason.STEAM_AT_PROBE: steam,
        Reason.NOISY: noise,
        Reason.IMPOSSIBLE_RATE: jump,
    }


def spoilt(hours: float, seed: int, channel: int, begin: float, spoil: Spoil) -> Iterator[Group]:
    """A quiet recording whose channel is spoilt from minute `begin` on."""
    for group in groups(hours, seed, quiet=True):
        minute = group.elapsed_ms / 60_000
        first = group.scans[0]
        count = first.counts[channel]
        if minute >= begin and count is not None:
            counts = (*first.counts[:channel], spoil(int(minute - begin), count), *first.counts[channel + 1 :])
            group = replace(group, scans=(replace(first, counts=counts), *group.scans[1:]))
        yield group


def found_after(channel: int, seed: int, begin: float, wanted: Reason, spoil: Spoil, patience: float) -> float | None:
    """Minutes until the verdict has come, and the alarm that follows from it; None when not within `patience`."""
    told = ALARMS_OF.get(wanted)
    seen = False
    for minute, reasons, raised in verdicts(spoilt((begin + patience) / 60, seed, channel, begin, spoil)):
        seen = seen or (minute >= begin and reasons[channel] == wanted)
        if seen and (told is None or any(kind == told for _, kind in raised)):
            return minute - begin
    return None


def leak_found_after(target: str, begin_h: float, patience_h: float) -> float | None:
    """Hours until a leaking seat of B1 is told of `target`, where no switch sees it; None when not in time.

    "B1": by its warm sample line; "blowdown": by the meter of both boilers.
    """
    text = creamery().text
    for switches in SWITCHES:
        assert switches in text
        text = text.replace(switches, "")
    events = (Event(begin_h * 60, (begin_h + patience_h) * 60, "valve leaks", "B1", 0.12),)
    stream = groups(begin_h + patience_h, 3, quiet=True, events=events, every_s=30)
    for minute, _, raised in verdicts(stream, loads(text).plant):
        if (target, "valve_leaking") in raised:
            return minute / 60 - begin_h if minute >= begin_h * 60 else None
    return None


def main(quick: bool) -> dict[str, object]:
    seeds, hours = ((1,), 12.0) if quick else ((1, 2, 3, 4, 5), 72.0)
    wrong: Counter[str] = Counter()
    polls = 0
    for quiet in (True, False):
        for seed in seeds:
            some, n = false_verdicts(hours, seed, quiet)
            wrong, polls = wrong + some, polls + n
            print(f"{'quiet' if quiet else 'eventful'} seed {seed}: {hours:g} h, false {dict(some)}", file=sys.stderr)
    begins = (5 * 60.0,) if quick else (5 * 60.0, 9.3 * 60, 14.7 * 60)
    found: dict[str, list[float | None]] = {}
    for wanted in faults(0):
        minutes = [found_after(B2, 7, begin, wanted, faults(7)[wanted], 60.0) for begin in begins]
        found[wanted.name] = minutes
        print(f"{wanted.name} on a continuous sample: found after {minutes} min", file=sys.stderr)
    leaks = {"B1": leak_found_after("B1", 14, 4)}
    if not quick:
        leaks["blowdown"] = leak_found_after("blowdown", 30, 10)
    print(f"a leaking seat that no switch sees: found after {leaks} h", file=sys.stderr)
    return {
        "passed": not wrong
        and all(m is not None for ms in found.values() for m in ms)
        and all(h is not None for h in leaks.values()),
        "days": round(2 * len(seeds) * hours / 24, 1),
        "polls_judged": polls,
        "false": dict(wrong),
        "false_share": round(sum(wrong.values()) / polls, 7),
        "leak_found_after_h": {k: None if h is None else round(h, 1) for k, h in leaks.items()},
        "found_after_min": {k: [None if m is None else round(m, 1) for m in v] for k, v in found.items()},
    }
