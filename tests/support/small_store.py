"""Stores of small plants, filled through the engine as the service would: plant versions, restarts, clock steps."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from config.load import PlantText, loads
from daemon.app.stepping import advance
from daemon.core.scan import Act, Count, Group, Scan
from daemon.engine import FORMAT, State, dump
from daemon.store.records import Snapshot
from daemon.store.writer import Writer
from tests.support.plants import one_boiler

BOILER = one_boiler(502, "10 s")
"""One module: conductivity, makeup pulses, blowdown valve, limit circuit."""


def counted(*counts: Count | None, fault: int = 1) -> Scan:
    """What module 0 gave; `fault` is the reason for each count that is not there."""
    return Scan(0, counts, tuple(fault if c is None else 0 for c in counts))


def cond(us_cm: float) -> int:
    """The count of 4..20 mA = 0..5000 uS/cm where 0..65535 counts are 0..20 mA."""
    return round((4 + 16 * us_cm / 5000) / 20 * 65535)


def every(at_ms: int, step_ms: int, scans: Iterable[Scan], *, plant: int = 1) -> list[Group]:
    """Groups numbered from 1, a scan each."""
    return [
        Group(n, at_ms + (n - 1) * step_ms, (n - 1) * step_ms, 1, plant, (scan,)) for n, scan in enumerate(scans, 1)
    ]


def store(
    path: Path,
    groups: Iterable[Group],
    texts: Mapping[int, str] | None = None,
    *,
    acts: Mapping[int, tuple[str, dict[str, object]]] | None = None,
    snapshot_every: int = 0,
) -> Path:
    """Fill a store and close it. `acts`: kind and body by the number of the group that carries them."""
    asyncio.run(_fill(path, groups, texts or {1: BOILER}, acts or {}, snapshot_every))
    return path


async def _fill(
    path: Path,
    groups: Iterable[Group],
    texts: Mapping[int, str],
    acts: Mapping[int, tuple[str, dict[str, object]]],
    snapshot_every: int,
) -> None:
    sources: dict[int, PlantText] = {v: loads(text) for v, text in texts.items()}
    writer = await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
    try:
        state: State | None = None
        segment = version = 0
        for group in groups:
            if group.plant != version:
                source = sources[group.plant]
                version = await writer.add_plant_version(source.text, source.sha256, group.at_ms)
                assert version == group.plant
            if group.segment != segment:
                segment = await writer.open_segment("run", group.elapsed_ms, group.at_ms, "start")
                assert segment == group.segment
            if group.number in acts:
                kind, body = acts[group.number]
                number = await writer.add_act(kind, "J. Ortiz", body, group.at_ms)
                group = replace(group, acts=(Act(number, kind, "J. Ortiz", group.at_ms, body),))
            state, outcome = advance(state, group, lambda v: sources[v].plant)
            snapshot = None
            if snapshot_every and group.number % snapshot_every == 0:
                snapshot = Snapshot(FORMAT, version, group.number, dump(state))
            await writer.commit(sources[version].plant, group, outcome, (), snapshot)
    finally:
        await writer.aclose()
