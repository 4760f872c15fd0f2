"""What a wall display beside ours tells. Figures: common practice, no source."""

from __future__ import annotations

import pytest

from daemon.measure.calibration import Kept, display, errors, implausible


def test_within_one_percent_of_span_both_agree() -> None:
    assert display(2941, 2942, 5000, 13.4, [2942], 0).what == ""
    assert display(2951, 3000, 5000, 13.6, [3000], 0).what == ""


@pytest.mark.parametrize(
    ("wall", "ours", "lately", "what", "look"),
    [
        (1500, 3000, [3000, 3001], "range", "ours is 2 times theirs: the range differs at the two ends"),
        (3000, 1500, [1500], "range", "0.5 times"),
        (2800, 3000, [2700, 2850, 3000], "damping", "Compare again when both are still"),
        (2800, 3000, [2999, 3000], "loop", "We see 13.600 mA; measure the current in series"),
        (0, 3000, [], "loop", "look at the loop"),
    ],
)
def test_range_damping_and_loop_are_told_apart(
    wall: float, ours: float, lately: list[float], what: str, look: str
) -> None:
    found = display(wall, ours, 5000, 13.6, lately, 2.0)
    assert found.what == what
    assert look in found.look


def record(error: float, how: str = "log", new: bool = False) -> Kept:
    return Kept(1, 0, how, 1.0, 0.0, 0.0, error, new, 0.0, 0.0)


def test_a_steadily_fouling_probe_is_plausible_and_a_leap_is_not() -> None:
    history = [record(0.0), *(record(e) for e in (-3.0, -3.4, -2.8, -3.2))]
    assert errors(history) == [-3.0, -3.4, -2.8, -3.2]
    assert implausible(history, -5.0) == ""
    assert "this probe's last 4 calibrations found -3.1 % on average" in implausible(history, 12.0)
    withdrawn = [*history[:-1], record(-40.0, "undone")]
    assert errors(withdrawn) == [-3.0, -3.4, -2.8]
    assert implausible([*history, record(0.0, "set", new=True)], 60.0) == ""
    assert implausible([*history, record(0.0, "log", new=True)], 15.0) == ""
    assert implausible([], 500.0) == ""
