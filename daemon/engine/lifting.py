"""Totals taken up again where a state was rebuilt from the last days alone. Pure.

Re-stepping stored groups from the middle of a log counts from 0; what the meters had shown before is in the stored
totals. May import: config, daemon.core, daemon.measure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from daemon.engine.state import State


def lifted(state: State, stored: Mapping[str, float]) -> State:
    """The state with its meters' totals raised to those last stored: by tag ("makeup.total", "makeup.mass")."""
    cells = state.cells.clone()
    s = cells.senses
    for m, day in zip(state.programme.wiring.meters, s.days, strict=True):
        c = s.counters[m.slot]
        more = stored.get(f"{m.name}.total", 0.0) - c.volume(m.spec)
        if more <= 0:
            continue
        c.base_kg += max(0.0, stored.get(f"{m.name}.mass", 0.0) - c.mass(m.spec))
        c.base_m3 += more
        day.begin_m3 += more
        c.dial_ours_m3 += more
    return replace(state, cells=cells)
