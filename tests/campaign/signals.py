"""Verdicts on signals over days of the demo plant: how often they are wrong, and how soon faults are found.

Quiet days are the demo without its events; eventful ones have them all (a stuck valve, an open loop, trips, leaks,
brine ...). A verdict is false where nothing of the kind was put into the plant. Faults are put into the recorded
counts of a quiet day: a last count repeated, low spikes of steam, noise, a step, at three moments each.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

from daemon.core.reasons import Reason
from daemon.core.scan import Count, Group, Scan
from daemon.engine import start, step
from drivers.demo.recording import record
from drivers.demo.scenario import DEFAULT_START_MS
from tests.support.recordings import creamery

JUDGED: Final = (
    *(Reason.STEAM_AT_PROBE, Reason.VALUE_STUCK, Reason.NOT_SETTLED, Reason.NOISY, Reason.IMPOSSIBLE_RATE),
    Reason.SAMPLE_COLD,
)
B1, B2 = 0, 1  # channels of module ai, which is the first
COUNTS_A_US: Final = 52428 / 5000  # u16 of 0..20 mA, 4..20 mA = 0..5000 uS/cm
TRUE_COLD: Final = ("valve stuck shut", "bleed plugged")

Spoil = Callable[[int, Count], Count]
"""Minute since the fault began and the sound count, to what the module gives."""


def groups(hours: float, seed: int, quiet: bool) -> Iterator[Group]:
    """The demo's polls of ten seconds as groups."""
    sizes = [len(m.channels) for m in creamery().plant.modules]
    for number, row in enumerate(record(DEFAULT_START_MS, hours, 10, seed, () if quiet else None), 1):
        scans, k = [], 0
        for module, n in enumerate(sizes):
            counts = row.counts[k : k + n]
            k += n
            scans.append(Scan(module, counts, tuple(1 if c is None else 0 for c in counts)))
        yield Group(number, row.at_ms, row.at_ms - DEFAULT_START_MS, 1, 1, tuple(scans))


def verdicts(stream: Iterator[Group]) -> Iterator[tuple[float, tuple[int, int]]]:
    """Minute and the reasons of both probes, group by group."""
    state = start(creamery().plant, 1)
    for group in stream:
        state, (outcome,) = step(state, [group])
        yield group.elapsed_ms / 60_000, (outcome.verdicts[0][B1], outcome.verdicts[0][B2])


def false_verdicts(hours: float, seed: int, quiet: bool) -> tuple[Counter[str], int]:
    """False verdicts by name, and how many polls were judged good or bad at all."""
    from drivers.demo.scenario import running

    wrong: Counter[str] = Counter()
    polls = 0
    for minute, reasons in verdicts(groups(hours, seed, quiet)):
        causes = {(e.whom, e.what) for m in (minute, minute - 20) for e in ([] if quiet else running(max(0.0, m)))}
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
    """Minutes until the verdict comes, None when it does not within `patience`."""
    for minute, reasons in verdicts(spoilt((begin + patience) / 60, seed, channel, begin, spoil)):
        if minute >= begin and reasons[channel] == wanted:
            return minute - begin
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
    return {
        "passed": not wrong and all(m is not None for ms in found.values() for m in ms),
        "days": round(2 * len(seeds) * hours / 24, 1),
        "polls_judged": polls,
        "false": dict(wrong),
        "false_share": round(sum(wrong.values()) / polls, 7),
        "found_after_min": {k: [None if m is None else round(m, 1) for m in v] for k, v in found.items()},
    }
