"""Days of the creamery, simulated: nothing is said of a healthy signal, and what is wrong is found when it happens."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from daemon.core.reasons import Reason
from daemon.core.scan import Group, Scan
from daemon.engine import start, step
from daemon.measure.senses import BoilerCell
from drivers.demo.recording import record
from drivers.demo.scenario import DEFAULT_START_MS, Event
from tests.support.recordings import creamery

VERDICTS = frozenset(
    (
        *(Reason.STEAM_AT_PROBE, Reason.VALUE_STUCK, Reason.NOISY, Reason.IMPOSSIBLE_RATE, Reason.SAMPLE_COLD),
        *(Reason.ABOVE_BOILING, Reason.NOT_SETTLED, Reason.CUT_SHORT, Reason.SHARED_SAMPLE, Reason.SAMPLE_TOO_HOT),
    )
)
SIGNALS = {"b1_cond": "B1", "b2_cond": "B2", "b1_probe_temp": "B1 temperature", "b2_probe_temp": "B2 temperature"}
Said = tuple[float, str, Reason]
"""Plant minute, signal, verdict."""


def groups(hours: float, seed: int, events: tuple[Event, ...], every_s: int = 10) -> Iterator[Group]:
    sizes = [len(m.channels) for m in creamery().plant.modules]
    for number, row in enumerate(record(DEFAULT_START_MS, hours, every_s, seed, events), 1):
        scans, k = [], 0
        for module, n in enumerate(sizes):
            counts = row.counts[k : k + n]
            k += n
            scans.append(Scan(module, counts, tuple(1 if c is None else 0 for c in counts)))
        yield Group(number, row.at_ms, row.at_ms - DEFAULT_START_MS, 1, 1, tuple(scans))


def watched(hours: float, seed: int, *events: Event) -> tuple[list[Said], list[BoilerCell]]:
    """What was said of the probes' signals, and the boilers at the end."""
    plant = creamery().plant
    names = list(plant.modules[0].channels)
    state, said = start(plant, 1), []
    for group in groups(hours, seed, events):
        state, (outcome,) = step(state, [group])
        for channel, verdict in enumerate(outcome.verdicts[0]):
            if verdict in VERDICTS and names[channel] in SIGNALS:
                said.append((group.elapsed_ms / 60_000, SIGNALS[names[channel]], Reason(verdict)))
    return said, state.cells.senses.boilers


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_healthy_day_is_a_day_of_good_readings(seed: int) -> None:
    said, boilers = watched(24, seed)
    assert said == []
    for b in boilers:
        assert b.watch.noise.n > 1000  # it was listened to
        assert b.sampler.reason == Reason.GOOD


def test_load_that_swings_salty_makeup_bottom_blowdown_and_a_burner_trip_are_the_boilers_not_the_signals() -> None:
    said, _ = watched(
        12,
        5,
        Event(60, 120, "load", "", 0.3),
        Event(120, 180, "load", "", 1.3),
        Event(200, 260, "brine in makeup", "", 250.0),
        Event(200, 260, "condensate lost", "", 0.9),
        Event(290, 290.2, "bottom blowdown", "B1", 5.0),
        Event(310, 310.2, "bottom blowdown", "B2", 5.0),
        Event(400, 420, "burner trip", "B1"),
        Event(420, 500, "in hand", "B2"),
        Event(600, 610, "module silent", "ai"),
    )
    assert said == []


def test_sample_that_is_commanded_and_does_not_flow_is_cold_and_a_plugged_bleed_too() -> None:
    said, _ = watched(4, 1, Event(60, 150, "valve stuck shut", "B1"), Event(90, 180, "bleed plugged", "B2", 1.0))
    for name, first, last in (("B1", 60, 155), ("B2", 90, 185)):
        minutes = [m for m, signal, why in said if signal == name and why == Reason.SAMPLE_COLD]
        assert first < minutes[0] and minutes[-1] < last
    (moved,) = [s for s in said if s[2] != Reason.SAMPLE_COLD]
    assert moved[1:] == ("B1", Reason.NOT_SETTLED)  # the valve came free in the middle of an opening
