"""Which readings stand beside a grab."""

from __future__ import annotations

import pytest

from daemon.app.pairing import At, NoPair, pair_at

MIN = 60_000


def at(minute: float, value: float) -> At:
    return At(round(minute * MIN), value, value / 1.1, 0)


def test_near_readings_are_averaged() -> None:
    found = pair_at([at(0, 2000), at(9, 2400), at(10, 2410), at(11, 2420), at(30, 2500)], 10 * MIN)
    assert found.value == pytest.approx(2410)
    assert found.probe == pytest.approx(2410 / 1.1)
    assert found.how == "3 readings within 2 min of the grab"
    assert found.spread == pytest.approx(20 / 2410 * 100)


def test_between_two_samples_the_line_between_them_counts() -> None:
    found = pair_at([at(0, 2000), at(40, 2400)], 10 * MIN)
    assert found.value == pytest.approx(2100)
    assert found.how == "between the readings 10 min before the grab and 30 min after it"
    assert found.spread == pytest.approx(400 / 2200 * 100)


def test_one_alone_may_not_be_far() -> None:
    assert pair_at([at(0, 2000)], 20 * MIN).how == "one reading, 20 min before the grab"
    assert pair_at([at(25, 2000)], 20 * MIN).how == "one reading, 5 min after the grab"
    with pytest.raises(NoPair, match="the nearest is 40 min away"):
        pair_at([at(0, 2000)], 40 * MIN)
    with pytest.raises(NoPair, match="there is none"):
        pair_at([], 0)
    with pytest.raises(NoPair, match="the nearest is 90 min away"):
        pair_at([at(0, 2000), at(200, 2400)], 90 * MIN)
