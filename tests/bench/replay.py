"""`replay`: months of the creamery's raw counts through `waterside replay`, beside the plain loop of `slots_loop`.

Ninety days at 10 s are recorded from the demo plant (with all that happens to it), and replayed as a user does: read
from CSV, stepped, journal and every reading written. The plain loop runs over 16 channels in turns with it, in the same
run. A plant-year is 3 153 600 polls. `ratio_to_slots_loop` sets a plant-year of 16 channels against the plain loop's:
the creamery has more channels, so its time is taken for each channel; `ratio_as_recorded` is that of the whole
creamery, poll against poll. `ratio_of_engine` is the step alone, without files, for each channel. Goal: at most 3.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from daemon.app.stepping import advance_many
from daemon.core.scan import Group
from daemon.report.recording import read_recording
from daemon.report.replay import replay
from drivers.demo.recording import record, write_csv
from drivers.demo.scenario import DEFAULT_START_MS
from tests.bench import slots_loop
from tests.bench.signals import ANALOGUE
from tests.support.recordings import creamery

GOAL: Final = 3.0
YEAR_POLLS: Final = 3_153_600
ROUNDS: Final = 5


def main(quick: bool) -> dict[str, object]:
    """Times of a plant-year in seconds, and the ratios."""
    days = 0.25 if quick else 90.0
    source = creamery()
    channels = sum(len(m.channels) for m in source.plant.modules)
    rows = slots_loop.polls(2000 if quick else 8640)
    with tempfile.TemporaryDirectory() as d:
        raw = Path(d) / "counts.csv.gz"
        begun = time.perf_counter()
        groups = write_csv(raw, record(DEFAULT_START_MS, days * 24, 10))
        print(f"{groups} polls recorded in {time.perf_counter() - begun:.0f} s", file=sys.stderr, flush=True)
        plain = [slots_loop.seconds_a_poll(rows) for _ in range(ROUNDS)]
        begun, processor = time.perf_counter(), time.process_time()
        summary = replay(source, raw, Path(d) / "out", advance=advance_many)
        wall, processor = time.perf_counter() - begun, time.process_time() - processor
        plain += [slots_loop.seconds_a_poll(rows) for _ in range(ROUNDS)]
        engine = _engine(raw, min(groups, 8640))
        readings = (Path(d) / "out" / "readings.parquet").stat().st_size
    base = statistics.median(plain)
    share = ANALOGUE / channels
    ratio = wall / groups * share / base
    return {
        "passed": ratio <= GOAL and summary["groups"] == groups,
        "ratio_to_slots_loop": round(ratio, 2),
        "ratio_as_recorded": round(wall / groups / base, 2),
        "ratio_of_engine": round(engine * share / base, 2),
        "channels": channels,
        "polls": groups,
        "seconds": round(wall, 1),
        "processor_seconds": round(processor, 1),
        "plant_year_of_16_channels_s": round(wall / groups * share * YEAR_POLLS, 1),
        "plant_year_of_the_creamery_s": round(wall / groups * YEAR_POLLS, 1),
        "slots_loop_plant_year_s": round(base * YEAR_POLLS, 1),
        "alarms": sum(summary["raised"].values()),
        "readings_mb": round(readings / 1e6, 1),
    }


def _engine(raw: Path, n: int) -> float:
    """Seconds a poll of the step alone."""
    source = creamery()
    groups: list[Group] = []
    for group in read_recording(raw, source.plant):
        groups.append(group)
        if len(groups) == n:
            break
    begun = time.perf_counter()
    state = None
    for i in range(0, len(groups), 500):
        state, _ = advance_many(state, groups[i : i + 500], lambda version: source.plant)
    return (time.perf_counter() - begun) / len(groups)
