"""Stretches of the demo plant as groups, without a bus."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import config
from config.load import PlantText, load
from daemon.core.scan import Group, Scan
from drivers.demo.recording import record
from drivers.demo.scenario import DEFAULT_START_MS


@lru_cache(maxsize=1)
def creamery() -> PlantText:
    """The packaged example plant."""
    return load(Path(config.__file__).parent / "examples" / "quillmarsh.toml")


@lru_cache(maxsize=2)
def groups(hours: float, every_s: int = 10) -> tuple[Group, ...]:
    """The creamery's first hours as groups numbered from 1, all modules in each."""
    sizes = [len(m.channels) for m in creamery().plant.modules]
    out = []
    for number, row in enumerate(record(DEFAULT_START_MS, hours, every_s), 1):
        scans, k = [], 0
        for module, n in enumerate(sizes):
            counts = row.counts[k : k + n]
            k += n
            scans.append(Scan(module, counts, tuple(1 if c is None else 0 for c in counts)))
        out.append(Group(number, row.at_ms, row.at_ms - DEFAULT_START_MS, 1, 1, tuple(scans)))
    return tuple(out)
