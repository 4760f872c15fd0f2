"""How long a sample line must flush before a reading counts: as written, or reckoned from its pipes and flow.

Pure. Imports nothing of ours but `config`. Inside diameters of schedule 40 pipe: ASME B36.10M (reference FL-023 to
FL-036). Three line volumes before a reading is trusted (reference FL-037 to FL-039: common practice); with water that
mixes wholly on its way, three volumes leave a twentieth of what stood in the line.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import pi
from typing import Final

from config.model import Boiler, PipeRun

_INCH: Final = 0.0254
BORE_M: Final[Mapping[str, float]] = {
    "1/2 in": 0.622 * _INCH,
    "3/4 in": 0.824 * _INCH,
    "1 in": 1.049 * _INCH,
    "1-1/4 in": 1.380 * _INCH,
    "1-1/2 in": 1.610 * _INCH,
    "2 in": 2.067 * _INCH,
}
COLD_KG_M3: Final = 1000.0  # of the valve's stated flow: hot water flushes sooner, never later


@dataclass(frozen=True, slots=True)
class Flush:
    """`seconds` as used; `volume_m3` of the line, `travel_s` for one volume (None where it cannot be reckoned)."""

    seconds: float
    written: bool
    volume_m3: float = 0.0
    travel_s: float | None = None
    volumes: float = 0.0

    @property
    def reckoned_s(self) -> float | None:
        """What pipes and flow ask for."""
        return None if self.travel_s is None else self.travel_s * self.volumes


def run_m3(run: PipeRun) -> float:
    """Water in one run of the line."""
    bore = run.bore if run.bore is not None else BORE_M[run.pipe or ""]
    return pi / 4 * bore * bore * run.length


def flush_of(boiler: Boiler) -> Flush:
    """The flush of a boiler's sample; 30 s where nothing is said (the default of `flush`)."""
    s, valve = boiler.sample, boiler.blowdown_valve
    if s is None:
        return Flush(0.0, False)
    written = "flush" in s.model_fields_set
    volume = sum(run_m3(r) for r in s.line)
    flow = s.flow
    if flow is None and valve is not None and valve.opening_flow and s.arrangement in ("timed", "hold"):
        flow = valve.opening_flow / COLD_KG_M3
    travel = volume / flow * 3600 if volume > 0 and flow else None
    reckoned = None if travel is None else travel * s.volumes
    seconds = s.flush if written or reckoned is None else reckoned
    return Flush(seconds, written, volume, travel, s.volumes)
