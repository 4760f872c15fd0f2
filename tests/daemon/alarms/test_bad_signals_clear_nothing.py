"""An alarm stands through every kind of bad signal, whatever number the signal shows, and clears by a good one."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from daemon.core.reasons import Quality, Reason, quality
from tests.support.feed import Feed, boiler, plant

SIZES = 'water = "12000 lb"\nsteam_max = "10000 lb/h"\n'
TEMPERATURE = 'probe_temperature = { channel = "m.temp", range = "4..20 mA = 0..200 °C" }\n'
HOT, COLD = 4 + 16 * 168 / 200, 4 + 16 * 40 / 200
HIGH, INSIDE = 3400.0, 2500.0
Shows = Callable[[int, float], dict[str, float | int | None]]
"""What poll k of a fault shows, given a draw of noise."""


def steaming(arrangement: str = "continuous") -> Feed:
    """A boiler whose probe has been listened to for two hours, with conductivity high."""
    feed = Feed(plant(boiler(arrangement, more=SIZES + TEMPERATURE)))
    noise = random.Random(1).gauss
    feed.now["temp"] = HOT
    for _ in range(720):
        feed.poll(cond=2900 + noise(0, 4))
    for k in range(360):  # in an hour
        feed.poll(cond=2900 + (HIGH - 2900) * k / 360 + noise(0, 4))
    for _ in range(30):
        feed.poll(cond=HIGH + noise(0, 4))
    assert feed.log() == ["conductivity_high raised"]
    return feed


FAULTS: dict[str, tuple[Shows, Reason]] = {
    "steam at the probe": (
        lambda k, n: {"cond": HIGH + n if k % 3 else INSIDE - 400 * (k % 2) + n},
        Reason.STEAM_AT_PROBE,
    ),
    "value stuck": (lambda k, n: {"cond": HIGH}, Reason.VALUE_STUCK),
    "cold sample": (lambda k, n: {"cond": HIGH - min(k, 100) * 9 + n, "temp": COLD}, Reason.SAMPLE_COLD),
    "loop open": (lambda k, n: {"ma": 0.0}, Reason.LOOP_OPEN),
    "loop short": (lambda k, n: {"ma": 21.6}, Reason.LOOP_SHORT),
    "no answer": (lambda k, n: {"cond": None}, Reason.NO_ANSWER),
    "low end": (lambda k, n: {"ma": 4.0}, Reason.RANGE_LOW_END),
    "a step no water makes": (lambda k, n: {"cond": INSIDE - 500 + n}, Reason.IMPOSSIBLE_RATE),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_clears_nothing(fault: str) -> None:
    feed, (shows, expected) = steaming(), FAULTS[fault]
    noise = random.Random(2).gauss
    seen = []
    for k in range(90):
        outcome = feed.poll(**shows(k, noise(0, 4)))
        seen.append(Reason(outcome.verdicts[0][0]))
        if fault == "a step no water makes" and k == 35:
            break  # after that the boiler could have been let down so far
    assert expected in seen
    log = feed.log()
    assert "conductivity_high returned" not in log
    assert not [x for x in log if x.startswith("valve_")]  # nor does it tell of the valve
    feed.now.pop("ma", None)
    for _ in range(400):  # repaired, and the water has come down meanwhile
        feed.poll(cond=INSIDE + noise(0, 4), temp=HOT)
    assert quality(feed.state.cells.senses.reasons[0]) is Quality.GOOD
    assert "conductivity_high returned" in feed.log()
