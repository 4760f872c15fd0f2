"""What storing a poll may cost beside a plain write: processor time and bytes sent to the disk, roll-ups and all.

The polls are those of `signals.py`, at 10 s and at 1 s. Ours is the writing connection's own call, in the thread it
runs in: packing, checks, the transaction in the write-ahead log with synchronous FULL, minutes and hours as they close,
and the folding of the log. The plain side packs the same numbers with one struct, appends them to a file and calls
fdatasync. Both take turns in the same process on the same disk; bytes are those that the system counts for the process.
"""

from __future__ import annotations

import os
import statistics
import struct
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import apsw

from config.load import loads
from daemon.core.outcome import GroupOutcome
from daemon.core.scan import Group, Scan
from daemon.store.ledger import Ledger
from tests.bench.signals import ANALOGUE, CHANNELS, CONTACTS, COUNTERS, Signals, plant_text

PROCESSOR_GOAL, BYTES_GOAL = 1.3, 2.3
GOOD = (0,) * CHANNELS

Poll = tuple[int, tuple[int, ...]]


def measure(folder: Path, every_s: int, commits: int, rounds: int) -> dict[str, float]:
    """Processor time (us) and bytes of one commit on both sides, and the ratios; medians over rounds."""
    source = loads(plant_text(every_s))
    db = apsw.Connection(str(folder / f"ours_{every_s}.db"))
    ledger = Ledger(db, folder / f"ours_{every_s}.db", durable=True)
    version = ledger.add_plant_version(source.text, source.sha256, 0)
    segment = ledger.open_segment("bench", 0, 0, "start")
    file = os.open(folder / f"plain_{every_s}.bin", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    form = struct.Struct(f"<{ANALOGUE}HB{COUNTERS}I")
    number = 0

    def ours(poll: Poll) -> None:
        nonlocal number
        number += 1
        at, counts = poll
        group = Group(number, at, number, segment, version, (Scan(0, counts, GOOD, 3),))
        ledger.commit(source.plant, group, GroupOutcome(number, (GOOD,)))

    def plain(poll: Poll) -> None:
        counts = poll[1]
        bits = 0
        for k, bit in enumerate(counts[ANALOGUE : ANALOGUE + CONTACTS]):
            bits |= bit << k
        os.write(file, form.pack(*counts[:ANALOGUE], bits, *counts[ANALOGUE + CONTACTS :]))
        os.fdatasync(file)

    polls = _polls(every_s)
    took: dict[str, list[tuple[float, float]]] = {"ours": [], "plain": []}
    try:
        for n in range(rounds + 1):
            some = [next(polls) for _ in range(commits)]
            for name, way in (("ours", ours), ("plain", plain)):
                found = _timed(way, some)
                if n:  # the first round warms caches
                    took[name].append(found)
        print(f"every {every_s} s: {number} commits each", file=sys.stderr)
    finally:
        db.close()
        os.close(file)
    processor = {k: statistics.median(c for c, _ in v) * 1e6 for k, v in took.items()}
    sent = {k: statistics.fmean(b for _, b in v) for k, v in took.items()}
    pairs = list(zip(took["ours"], took["plain"], strict=True))
    return {
        "processor_us": round(processor["ours"], 1),
        "plain_processor_us": round(processor["plain"], 1),
        "processor_ratio": round(statistics.median(a[0] / b[0] for a, b in pairs), 2),
        "bytes": round(sent["ours"]),
        "plain_bytes": round(sent["plain"]),
        "bytes_ratio": round(sent["ours"] / sent["plain"], 2) if sent["plain"] else 0.0,
        "bytes_a_day": round(sent["ours"] * 86_400 / every_s),
    }


def _polls(every_s: int) -> Iterator[Poll]:
    for chunk in Signals(30 * 86_400, every_s).chunks():
        columns = (chunk.at_ms.tolist(), chunk.analogue.tolist(), chunk.contacts.tolist(), chunk.counters.tolist())
        for at, a, b, c in zip(*columns, strict=True):
            yield at, (*a, *b, *c)


def _timed(way: Callable[[Poll], None], polls: list[Poll]) -> tuple[float, float]:
    before, begun = _sent(), time.process_time()
    for poll in polls:
        way(poll)
    return (time.process_time() - begun) / len(polls), (_sent() - before) / len(polls)


def _sent() -> int:
    lines = Path("/proc/self/io").read_text("ascii").splitlines()
    return int(dict(line.split(": ") for line in lines)["write_bytes"])
