"""How a probe drifts between its calibrations: slope a month with its uncertainty, and when cleaning falls due.

Pure. May import: daemon.core, this room. Each record with a reference says by how much the reading was off as found;
from one as-left to the next as-found the probe lost that much of its sensitivity. The chain of these losses, since the
last new probe or cleaning, is a line in time; its slope is found by least squares, the interval is that of 95 % by
Student's t. A probe that has lost `CLEAN_AT` is due for cleaning (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import exp, log, sqrt
from statistics import fmean
from typing import Any, Final

from daemon.core.outcome import Calibration

DAY_MS: Final = 86_400_000
MONTH_D: Final = 365.25 / 12
CLEAN_AT: Final = 10.0  # % of sensitivity lost
SHORTEST_D: Final = 7  # days: over less, a slope a month is nothing but noise (common practice, no source)
FEWEST: Final = 3  # points a line with an uncertainty wants

# two-sided 95 % points of Student's t by degrees of freedom (tables; beyond 30 the next lower one, on the wide side)
_T95: Final = (
    *(12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228),
    *(2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086),
    *(2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042),
)


@dataclass(frozen=True, slots=True)
class Point:
    """Sensitivity against that after the first calibration of this stretch, 1.0 there."""

    at_ms: int
    sensitivity: float


@dataclass(frozen=True, slots=True)
class Drift:
    """% a month, negative while readings fall; `low` and `high` bound it to 95 %, None where points are too few.

    `lost`: % of sensitivity lost by the line at the instant asked for, with bounds; `due_ms`: when the line reaches
    `CLEAN_AT`, with the earliest and latest the bounds allow (None: never within them).
    """

    points: int
    per_month: float | None
    low: float | None
    high: float | None
    lost: float | None
    lost_low: float | None
    lost_high: float | None
    due_ms: int | None

    @property
    def cleaning(self) -> str:
        """due, may be due, not due, or unknown."""
        if self.lost is None or self.lost_low is None:
            return "unknown"
        if self.lost_low >= CLEAN_AT:
            return "due"
        return "may be due" if self.lost >= CLEAN_AT else "not due"


def live(records: Iterable[Calibration], tag: str) -> list[Calibration]:
    """The records of a tag that were not withdrawn, withdrawals left out, oldest first."""
    own = [r for r in records if r.tag == tag]
    gone = {r.body.get("undone") for r in own if r.kind == "undone"}
    return [r for r in own if r.kind != "undone" and r.act not in gone]


def points(records: Sequence[Calibration]) -> list[Point]:
    """The chain of sensitivity since the last new probe or cleaning, of records as `live` gives them."""
    out: list[Point] = []
    base = 1.0  # sensitivity that the instrument, or the log, was last set right at
    for r in records:
        compared = r.kind in ("wall instrument", "log") and r.body.get("form") in ("handheld", "standard")
        if r.body.get("new_probe") or r.body.get("cleaned") or r.body.get("form") == "new probe":
            out = []
        if not compared:
            continue
        if not out:
            out.append(Point(r.from_ms, 1.0))
            base = 1.0 / (_found(r.body) if r.body.get("corrected") is False and r.kind == "log" else _left(r.body))
        else:
            out.append(Point(r.from_ms, base * _found(r.body)))
            if r.kind != "log" or r.body.get("corrected", True):
                base = out[-1].sensitivity / _left(r.body)
    return out


def _left(body: Mapping[str, Any]) -> float:
    """What the wall instrument was left at over what was true; 1.0 for a correction in the log."""
    left, reference = body.get("as_left"), body.get("reference")
    return max(1e-6, float(left) / float(reference)) if left and reference else 1.0


def _found(body: Mapping[str, Any]) -> float:
    """The reading as found over what was true."""
    return max(1e-6, 1 + float(body["error_percent"]) / 100)


def drift(found: Sequence[Point], now_ms: int) -> Drift:
    """The drift of a chain of points, looked at from `now_ms`."""
    n = len(found)
    nothing = Drift(n, None, None, None, None, None, None, None)
    if n < 2 or found[-1].at_ms - found[0].at_ms < SHORTEST_D * DAY_MS:
        return nothing
    x = [(p.at_ms - found[0].at_ms) / DAY_MS / MONTH_D for p in found]
    y = [log(p.sensitivity) for p in found]
    mx, my = fmean(x), fmean(y)
    sxx = sum((a - mx) ** 2 for a in x)
    slope = sum((a - mx) * (b - my) for a, b in zip(x, y, strict=True)) / sxx
    month = (exp(slope) - 1) * 100
    if n < FEWEST:
        return Drift(n, month, None, None, None, None, None, None)
    rest = sum((b - my - slope * (a - mx)) ** 2 for a, b in zip(x, y, strict=True))
    t95 = _T95[min(n - 2, len(_T95)) - 1]
    s = sqrt(rest / (n - 2))
    error = t95 * s / sqrt(sxx)
    at = (now_ms - found[0].at_ms) / DAY_MS / MONTH_D
    here = my + slope * (at - mx)
    half = t95 * s * sqrt(1 / n + (at - mx) ** 2 / sxx)
    due = None
    if slope < 0:
        months = (log(1 - CLEAN_AT / 100) - my) / slope + mx
        due = found[0].at_ms + round(months * MONTH_D * DAY_MS)
    return Drift(
        n,
        month,
        (exp(slope - error) - 1) * 100,
        (exp(slope + error) - 1) * 100,
        (1 - exp(here)) * 100,
        (1 - exp(here + half)) * 100,
        (1 - exp(here - half)) * 100,
        due,
    )
