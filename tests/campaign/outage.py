"""The central server is gone for a simulated week; afterwards it has every reading, equal to what is stored.

Debian's victoria-metrics takes the copy of a store. It is stopped after the first polls, a week of polls of a boiler is
stored meanwhile, with tries of the copy in between that must leave memory and cursor where they are. It is started
again, the copy catches up, is ended half-way and begun again from an older cursor, and what the server has is read back
and compared with the store, point by point.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

from config.model import Copy
from daemon.core.tags import derived_tags, raw_tags
from daemon.store.copying import Copier, CopyTrouble, Server
from daemon.store.reader import Reader
from daemon.store.records import Cursor
from tests.support.small_store import cond, counted, every, store
from tests.support.timeseries import TimeSeries, same

T0 = 1_790_000_000_000
NAME = "quillmarsh-creamery"
MEMORY_MB = 60.0  # more than this while the server is gone is growth


def main(quick: bool) -> dict[str, object]:
    """Points stored and read back, and how long catching up took."""
    every_s, days = (60, 7) if quick else (10, 7)
    polls = days * 86_400 // every_s
    with tempfile.TemporaryDirectory(prefix="waterside-outage-") as d, TimeSeries(Path(d)) as central:
        scans = (
            counted(cond(2000 + 900 * ((k % 240) / 240)), k // 3 % 65_536, int(k % 240 < 20), 1) for k in range(polls)
        )
        begun = time.perf_counter()
        path = store(Path(d) / "w.db", every(T0, every_s * 1000, scans))
        print(f"{polls} polls stored in {time.perf_counter() - begun:.0f} s", file=sys.stderr, flush=True)
        copier = Copier(path, NAME, Server(Copy(url=central.url)), Cursor())
        first = copier.round()
        central.stop()
        before = _memory_mb()
        for _ in range(50):
            try:
                copier.round()
                raise RuntimeError("a server that is stopped took lines")
            except CopyTrouble:
                if copier.cursor != first.cursor:
                    raise RuntimeError("the cursor moved while the server was gone") from None
        grown = _memory_mb() - before
        central.start()
        begun = time.perf_counter()
        rounds = 0
        while copier.round().more:
            rounds += 1
            if rounds == 3:  # it ends, and the last note of where it was is an older one
                copier = Copier(path, NAME, Server(Copy(url=central.url)), first.cursor)
        took = time.perf_counter() - begun
        wrong, points = _compared(path, central)
    return {
        "passed": not wrong and grown < MEMORY_MB,
        "days": days,
        "polls": polls,
        "points": points,
        "wrong": wrong[:5],
        "catching_up_s": round(took, 1),
        "points_a_second": round(points / took),
        "memory_grown_mb": round(grown, 1),
    }


def _memory_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _compared(path: Path, central: TimeSeries) -> tuple[list[str], int]:
    """What is not the same at the server, and how many values are stored."""
    found = {
        dict(labels)["tag"]: points
        for labels, points in central.export(f'waterside_reading_value{{plant="{NAME}"}}').items()
    }
    wrong: list[str] = []
    points = 0
    with Reader(path) as reader:
        plant = reader.plant(1)
        raw, derived = raw_tags(plant), derived_tags(plant)
        want: dict[str, dict[int, float]] = {}
        for s in reader.groups():
            at = s.group.at_ms
            for tag in raw:
                count = s.group.scans[0].counts[tag.channel]
                if tag.kind != "analogue" and count is not None:
                    want.setdefault(tag.name, {})[at] = float(count)
            for d in s.derived:
                if derived[d.tag].what in ("conductivity", "state", "valve", "total", "rate", "mass", "mass_rate"):
                    want.setdefault(derived[d.tag].name, {})[at] = d.value
        probes = {t.name for t in raw if t.kind == "analogue"}
        n = sum(1 for _ in reader.groups())
    for tag_name, values in want.items():
        points += len(values)
        if not same(found.get(tag_name), values):
            wrong.append(f"{tag_name}: {len(found.get(tag_name, {}))} of {len(values)} points, or others")
    for tag_name in probes:
        points += n
        if len(found.get(tag_name, {})) != n:
            wrong.append(f"{tag_name}: {len(found.get(tag_name, {}))} of {n} points")
    if not want:
        wrong.append("nothing was compared")
    return wrong, points
