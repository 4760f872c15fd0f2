"""Calibrations as records: what is plausible for this probe, what a wall display tells, which correction is in force.

Pure. May import: config, daemon.core, this room. The figures of plausibility and of displays are common practice, no
source. A record's body holds the correction in force after it (`gain`, `zero`, `offset_in_force`, `since_ms`,
`force_act`), so that the newest record at an instant says all, withdrawals included.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, stdev
from typing import Any, Final, NamedTuple

from config.model import Plant
from config.solids import compensation_of
from daemon.core.outcome import Calibration
from daemon.core.tags import RawTag, raw_tags
from daemon.measure.correction import NONE, Correction, Factors
from daemon.measure.drift import Drift, Point, drift

KEPT: Final = 24  # records of a probe that the engine remembers, for undoing and for plausibility
FEW: Final = 3  # earlier errors from which a probe has a habit of its own
WIDE: Final = 20.0  # % that a reading may be off where there are fewer
NARROW: Final = 5.0  # % that it always may
RIGHT: Final = 1.0  # % of span between wall display and log


class Kept(NamedTuple):
    """One record as the engine remembers it; see `Correction.records`."""

    act: int
    at_ms: int
    how: str
    gain: float
    zero: float
    offset: float
    error: float  # % by which the reading was off as found, 0 where nothing was compared
    new_probe: bool
    pair_probe: float
    pair_reference: float
    cleaned: bool = False  # and the probe was cleaned before it


def kept(c: Correction) -> list[Kept]:
    """The records of a cell, oldest first."""
    return [Kept(*r) for r in c.records]


def figures(c: Correction) -> str:
    """The correction in force in words: "gain 1.05, zero 12 uS/cm"."""
    parts = [f"gain {c.gain:.4g}"]
    if c.zero:
        parts.append(f"zero {c.zero:.4g} uS/cm")
    if c.offset:
        parts.append(f"offset {c.offset:+.4g} uS/cm")
    return ", ".join(parts)


def errors(records: Sequence[Kept]) -> list[float]:
    """Errors as found of this probe, in %: since the last new probe, its first calibration left out."""
    own: list[float] = []
    begun = False
    for r in records:
        if r.how == "undone":
            continue
        if r.new_probe:
            own, begun = [], r.how in ("log", "wall")
        elif r.how in ("log", "wall"):
            if begun:
                own.append(r.error)
            begun = True
    return own


def compared(records: Sequence[Kept]) -> bool:
    """Whether this probe was ever compared with a reference since it is in."""
    since = [r for r in records if r.how != "undone"]
    last_new = max((i for i, r in enumerate(since) if r.new_probe), default=0)
    return any(r.how in ("log", "wall") for r in since[last_new:])


def drifted(c: Correction, now_ms: int) -> Drift:
    """The drift of a probe by the records its cell keeps, looked at from `now_ms` (UTC).

    As `drift.points` of the stored records, but a wall instrument counts as left at the reference.
    """
    chain: list[Point] = []
    base, before = 1.0, (1.0, 0.0, 0.0)  # sensitivity at which it was last set right; figures in force before
    for r in kept(c):
        if r.how == "undone":
            continue
        force = (r.gain, r.zero, r.offset)
        set_right, before = r.how == "wall" or force != before, force  # else it was compared, and left as it was
        if r.new_probe or r.cleaned:
            chain = []
        if r.how not in ("log", "wall"):
            continue
        found = max(1e-6, 1 + r.error / 100)
        if chain:
            chain.append(Point(r.at_ms, base * found))
            base = chain[-1].sensitivity if set_right else base
        else:
            chain.append(Point(r.at_ms, 1.0))
            base = 1.0 if set_right else 1.0 / found
    return drift(chain, now_ms)


def implausible(records: Sequence[Kept], error: float) -> str:
    """Why an error as found (%) does not fit this probe's own history, "" when it does or there is none."""
    if not compared(records):
        return ""
    own = errors(records)
    if len(own) < FEW:
        if abs(error) <= WIDE:
            return ""
        return (
            f"the reading would be off by {error:+.1f} %, more than {WIDE:g} % since the last calibration of this probe"
        )
    middle, allowed = fmean(own), max(NARROW, 3 * stdev(own))
    if abs(error - middle) <= allowed:
        return ""
    return (
        f"the reading would be off by {error:+.1f} %; this probe's last {len(own)} calibrations found {middle:+.1f} % "
        f"on average, and {allowed:.1f} % about it is what its history allows"
    )


@dataclass(frozen=True, slots=True)
class Display:
    """The wall display beside ours. `off_percent`: ours less theirs in % of span; `what`: "", range, damping, loop."""

    off_percent: float
    what: str
    look: str  # where to look, "" when both agree


_RATIOS: Final = (0.1, 0.2, 0.25, 0.4, 0.5, 2.0, 2.5, 4.0, 5.0, 10.0)


def display(wall: float, ours: float, span: float, ma: float, lately: Sequence[float], damping_s: float) -> Display:
    """Compare what the wall instrument shows with what the loop says (`ours`), both uS/cm.

    `span`: of the range; `ma`: the current seen; `lately`: our values of the last minutes, oldest first.
    """
    off = (ours - wall) / span * 100
    if abs(off) <= RIGHT:
        return Display(off, "", "")
    ratio = ours / wall if wall > 0 else 0.0
    low, high = (min(lately), max(lately)) if lately else (ours, ours)
    slack = RIGHT / 100 * span
    if any(abs(ratio / r - 1) <= 0.02 for r in _RATIOS):
        look = (
            f"ours is {ratio:.3g} times theirs: the range differs at the two ends of the loop. Read the range of the "
            "wall instrument's 4-20 mA output in its menu and compare it with `range` in the plant file"
        )
        return Display(off, "range", look)
    if high - low > slack and low - slack <= wall <= high + slack:
        tail = f" (damping of {damping_s:g} s in the plant file)" if damping_s else ""
        look = (
            f"ours moved from {low:.4g} to {high:.4g} uS/cm in the last minutes and passed what the wall shows: one of "
            f"the two is damped or held{tail}. Compare again when both are still"
        )
        return Display(off, "damping", look)
    look = (
        f"no usual ratio of ranges, no movement: look at the loop. We see {ma:.3f} mA; measure the current in series "
        "at both ends, by qualified people, or go through it with `waterside loops`"
    )
    return Display(off, "loop", look)


def tag_of(boiler: str) -> str:
    """The tag under which the calibrations of a boiler's probe are stored."""
    return f"{boiler}.conductivity"


def same_probe(old: Plant, new: Plant, boiler: str) -> bool:
    """Whether a correction made under one plant file still means the same under another."""
    return _probe(old, boiler) == _probe(new, boiler)


def _probe(plant: Plant, boiler: str) -> tuple[object, ...] | None:
    tag: RawTag | None = next((t for t in raw_tags(plant) if t.name == f"{boiler}.probe"), None)
    b = next((b for b in plant.boilers if b.name == boiler), None)
    return None if tag is None or b is None else (tag.ref, tag.span, tag.range, compensation_of(b))


def in_force(
    records: Iterable[Calibration], boiler: str, at_ms: int, versions: Sequence[tuple[int, Plant]] = ()
) -> Factors:
    """The correction of a boiler's probe at an instant (UTC ms), from the stored records in their order.

    `versions`: plant files with the instant each came into force; a change of the probe's channel, range or
    compensation ends a correction, as the engine does.
    """
    last = None
    for r in records:
        if r.tag == tag_of(boiler) and r.from_ms <= at_ms:
            last = r
    if last is None:
        return NONE
    found = factors_of(last.body)
    before = [p for since, p in versions if since <= last.from_ms][-1:]
    line = [*before, *(p for since, p in versions if last.from_ms < since <= at_ms)]
    return NONE if any(not same_probe(a, b, boiler) for a, b in pairwise(line)) else found


def factors_of(body: Mapping[str, Any]) -> Factors:
    """The correction in force after a record."""
    return Factors(
        float(body["gain"]),
        float(body["zero"]),
        float(body["offset_in_force"]),
        int(body["since_ms"]),
        int(body["force_act"]),
    )
