"""Drift of a probe from its calibrations; the slope and its interval against the statistics of the standard library."""

from __future__ import annotations

from math import log
from statistics import linear_regression

import pytest

from daemon.core.outcome import Calibration
from daemon.measure.drift import DAY_MS, MONTH_D, Point, drift, live, points

MONTH_MS = round(MONTH_D * DAY_MS)


def record(month: float, error: float, act: int, kind: str = "log", **more: object) -> Calibration:
    body = {"form": "handheld", "error_percent": error, **more}
    return Calibration("B1.conductivity", round(month * MONTH_MS), kind, body, act)


def fouling(rate: float = -2.0, n: int = 6, wobble: float = 0.0) -> list[Calibration]:
    return [record(i, 0.0 if i == 0 else rate + wobble * (-1) ** i, i) for i in range(n)]


def test_a_probe_that_loses_two_percent_a_month() -> None:
    found = drift(points(fouling()), 5 * MONTH_MS)
    assert found.per_month == pytest.approx(-2.0)
    assert found.low == pytest.approx(found.high)  # a straight line leaves nothing open
    assert found.lost == pytest.approx((1 - 0.98**5) * 100)
    assert found.cleaning == "not due"
    assert found.due_ms == pytest.approx(log(0.9) / log(0.98) * MONTH_MS, rel=1e-6)
    assert drift(points(fouling()), 6 * MONTH_MS).cleaning == "due"


def test_slope_and_interval_as_the_textbook_has_them() -> None:
    chain = points(fouling(-2.0, 6, 0.7))
    found = drift(chain, 5 * MONTH_MS)
    assert found.per_month is not None
    assert found.low is not None
    assert found.high is not None
    x, y = [p.at_ms / MONTH_MS for p in chain], [log(p.sensitivity) for p in chain]
    slope, intercept = linear_regression(x, y)
    assert log(1 + found.per_month / 100) == pytest.approx(slope)
    rest = sum((b - intercept - slope * a) ** 2 for a, b in zip(x, y, strict=True))
    # Student's t for 4 degrees of freedom, two-sided 95 %: 2.776
    half = 2.776 * (rest / 4) ** 0.5 / sum((a - 2.5) ** 2 for a in x) ** 0.5
    assert log(1 + found.high / 100) == pytest.approx(slope + half)
    assert log(1 + found.low / 100) == pytest.approx(slope - half)
    assert found.low < -2 < found.high


def test_too_few_points_say_so_by_having_no_interval() -> None:
    assert drift(points(fouling(n=1)), 0).per_month is None
    two = drift(points(fouling(n=2)), MONTH_MS)
    assert two.per_month == pytest.approx(-2.0)
    assert (two.low, two.cleaning) == (None, "unknown")
    assert drift([Point(5, 1.0), Point(5, 0.9)], 5).per_month is None
    assert drift([Point(0, 1.0), Point(DAY_MS // 24, 0.99)], DAY_MS).per_month is None  # an hour is no trend


def test_doubt_is_not_sold_as_certainty() -> None:
    noisy = drift(points(fouling(-2.0, 6, 3.0)), round(6.0 * MONTH_MS))
    assert noisy.lost is not None
    assert noisy.lost > 10
    assert noisy.cleaning == "may be due"


def test_wall_and_log_make_one_chain_and_a_cleaning_or_a_new_probe_begins_another() -> None:
    mixed = [record(0, 0, 1), record(1, -2, 2, "wall instrument"), record(2, -3, 3)]
    assert [p.sensitivity for p in points(mixed)] == pytest.approx([1, 0.98, 0.98 * 0.97])
    assert [p.sensitivity for p in points([*mixed, record(3, 4, 4, cleaned=True), record(4, -1, 5)])] == [1.0, 0.99]
    assert len(points([*mixed, record(3, 0, 4, form="new probe"), record(4, 9, 5)])) == 1


def test_a_withdrawn_record_is_no_point() -> None:
    records = [*fouling(n=3), record(2.5, 0, 9, "undone", undone=1)]
    assert [r.act for r in live(records, "B1.conductivity")] == [0, 2]
    assert live(records, "B2.conductivity") == []


def test_what_was_only_compared_is_not_counted_twice() -> None:
    # 2 % a month: compared and left alone at 1 and 2, corrected at 3, found 2 % down again at 4
    found = [record(0, 0, 1, corrected=True), record(1, -2, 2, corrected=False), record(2, -3.96, 3, corrected=False)]
    found += [record(3, (0.98**3 - 1) * 100, 4, corrected=True), record(4, -2, 5, corrected=True)]
    assert [p.sensitivity for p in points(found)] == pytest.approx([0.98**k for k in range(5)])


def test_a_wall_instrument_left_off_is_reckoned_with() -> None:
    # left 1 % low on purpose, found 3 % low a month later: 2 % of it is the probe's
    walls = [record(0, 0, 1, "wall instrument", as_left=2970, reference=3000)]
    walls.append(record(1, (0.99 * 0.98 - 1) * 100, 2, "wall instrument", as_left=3000, reference=3000))
    assert [p.sensitivity for p in points(walls)] == pytest.approx([1, 0.98])
