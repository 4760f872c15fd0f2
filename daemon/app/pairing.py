"""Readings at the moment of a grab, from the store: what stood for the boiler then, with and without correction.

Pure but for the reader it is given. May import: config, daemon.core, daemon.measure, daemon.store.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING, Final

from config.model import Plant
from daemon.core.outcome import Calibration
from daemon.core.reasons import Quality, Reason, quality
from daemon.core.tags import derived_tags
from daemon.measure.calibration import in_force, tag_of

if TYPE_CHECKING:
    from daemon.store.reader import Reader

NEAR_MS: Final = 2 * 60_000  # readings this near to the grab stand for it as they are
FAR_MS: Final = 2 * 3_600_000  # two readings on either side may be joined over this much
ALONE_MS: Final = 30 * 60_000  # one reading alone may be this far


class NoPair(Exception):
    """No reading stands beside the grab; the text says why."""


@dataclass(frozen=True, slots=True)
class At:
    """A representative reading: UTC ms, corrected value and what the probe said at 25 °C, uS/cm, and its reason."""

    at_ms: int
    value: float
    probe: float
    reason: int


@dataclass(frozen=True, slots=True)
class Pair:
    """What stands beside the grab. `how` in words; `spread`: % between the readings it was made of."""

    at_ms: int
    value: float
    probe: float
    reason: int
    how: str
    spread: float


def versions_of(reader: Reader) -> list[tuple[int, Plant]]:
    """Every plant file with the instant it came into force."""
    return [(v.from_ms, reader.plant(v.version)) for v in reader.plant_versions()]


def readings(reader: Reader, boiler: str, from_ms: int, to_ms: int) -> list[At]:
    """Representative readings of a boiler that may be calibrated by: none bad, none at an end of its range."""
    records: list[Calibration] = [r for r in reader.calibrations() if r.tag == tag_of(boiler)]
    versions = versions_of(reader)
    places: dict[int, int] = {}
    out: list[At] = []
    for stored in reader.groups(from_ms, to_ms):
        version = stored.group.plant
        if version not in places:
            names = [t.name for t in derived_tags(reader.plant(version))]
            places[version] = names.index(tag_of(boiler)) if tag_of(boiler) in names else -1
        for d in stored.derived:
            if d.tag == places[version] and quality(d.reason) is not Quality.BAD and d.reason != Reason.RANGE_HIGH_END:
                force = in_force(records, boiler, stored.group.at_ms, versions)
                out.append(At(stored.group.at_ms, d.value, force.undo(d.value), d.reason))
    return out


def pair_at(found: Iterable[At], at_ms: int) -> Pair:
    """The reading at an instant: the mean of those near it, else joined from both sides, else one alone. NoPair."""
    all_of_them = sorted(found, key=lambda r: r.at_ms)
    near = [r for r in all_of_them if abs(r.at_ms - at_ms) <= NEAR_MS]
    if near:
        how = f"{len(near)} reading{'s' if len(near) > 1 else ''} within 2 min of the grab"
        return _joined(near, [1.0] * len(near), at_ms, how)
    before = [r for r in all_of_them if r.at_ms < at_ms][-1:]
    after = [r for r in all_of_them if r.at_ms > at_ms][:1]
    if before and after and after[0].at_ms - before[0].at_ms <= FAR_MS:
        a, z = before[0], after[0]
        share = (at_ms - a.at_ms) / (z.at_ms - a.at_ms)
        how = (
            f"between the readings {(at_ms - a.at_ms) / 60_000:.0f} min before the grab and "
            f"{(z.at_ms - at_ms) / 60_000:.0f} min after it"
        )
        return _joined([a, z], [1 - share, share], at_ms, how)
    alone = min([*before, *after], key=lambda r: abs(r.at_ms - at_ms), default=None)
    if alone is None or abs(alone.at_ms - at_ms) > ALONE_MS:
        far = "there is none" if alone is None else f"the nearest is {abs(alone.at_ms - at_ms) / 60_000:.0f} min away"
        raise NoPair(f"no representative reading stands beside the grab: {far}")
    side = "before" if alone.at_ms < at_ms else "after"
    return _joined([alone], [1.0], at_ms, f"one reading, {abs(alone.at_ms - at_ms) / 60_000:.0f} min {side} the grab")


def _joined(some: list[At], weights: list[float], at_ms: int, how: str) -> Pair:
    total = sum(weights)
    value = sum(r.value * k for r, k in zip(some, weights, strict=True)) / total
    probe = sum(r.probe * k for r, k in zip(some, weights, strict=True)) / total
    values = [r.value for r in some]
    spread = (max(values) - min(values)) / abs(fmean(values)) * 100 if fmean(values) else 0.0
    return Pair(at_ms, value, probe, max(r.reason for r in some), how, spread)
