"""Verdicts on the signal itself, each on signals made for it: what is wrong is found, what is merely odd is not."""

from __future__ import annotations

import random

import pytest

from daemon.measure import flashing, liveness, noise, plateau, probe_heat, rate, still
from daemon.measure.flashing import Flash
from daemon.measure.liveness import Liveness
from daemon.measure.noise import Noise
from daemon.measure.probe_heat import Heat
from daemon.measure.rate import Rate
from daemon.measure.still import Still

SPAN = 5000.0
POLL = 10_000
HOUR = 360  # polls


def signal(n: int, sd: float, step: float, level: float = 3000.0, seed: int = 1) -> list[float]:
    """A noisy level as a converter of `step` a count gives it."""
    draw = random.Random(seed).gauss
    return [round((level + draw(0, sd)) / step) * step for _ in range(n)]


# ------------------------------------------------------------------ value stuck


def polls_until_stuck(c: Still, raw: float, t: int, share: float, most: int) -> int:
    for n in range(1, most):
        if still.stuck(c, raw, t + n * POLL, True, share):
            return n
    return 0


@pytest.mark.parametrize(
    ("sd", "step", "least", "most"), [(4.0, 0.1, 60, 62), (4.0, 1.22, 60, 62), (2.0, 5.0, 100, 2000)]
)
def test_a_converter_that_repeats_its_last_count_is_stuck_by_what_its_own_noise_makes_usual(
    sd: float, step: float, least: int, most: int
) -> None:
    c, t = Still(), 0
    for raw in signal(12 * HOUR, sd, step):
        t += POLL
        assert not still.stuck(c, raw, t, True, step / SPAN)
    n = polls_until_stuck(c, c.last or 0.0, t, step / SPAN, 8 * HOUR)
    assert n and least <= c.run <= most


def test_a_quiet_signal_on_a_coarse_converter_is_not_stuck() -> None:
    """A count of 20 uS/cm under noise of 1: it repeats itself for hours."""
    c, t = Still(), 0
    level = 3000.0
    for k in range(20 * 24 * HOUR):
        t += POLL
        level += 40 / HOUR if k // (3 * HOUR) % 2 else -40 / HOUR
        assert not still.stuck(c, round((level + random.Random(k).gauss(0, 1)) / 20) * 20.0, t, True, 20 / SPAN)


def test_what_repeats_while_nothing_flows_says_nothing_and_a_gap_is_no_evidence() -> None:
    c, t = Still(), 0
    for raw in signal(2 * HOUR, 4.0, 0.1):
        t += POLL
        still.stuck(c, raw, t, True, 0.1 / SPAN)
    for _ in range(24 * HOUR):
        t += POLL
        assert not still.stuck(c, 3000.0, t, False, 0.1 / SPAN)


def test_a_converter_dead_from_the_first_poll_on_is_found_after_days_if_it_is_fine_enough() -> None:
    days = 4 * 24 * HOUR
    assert polls_until_stuck(Still(), 3000.0, 0, 0.1 / SPAN, days + 10) == pytest.approx(days, abs=2)
    assert polls_until_stuck(Still(), 3000.0, 0, 20 / SPAN, days + 10) == 0


def test_a_stuck_value_teaches_nothing_and_is_over_when_the_signal_moves() -> None:
    c, t = Still(), 0
    for raw in signal(4 * HOUR, 4.0, 0.1):
        t += POLL
        still.stuck(c, raw, t, True, 0.1 / SPAN)
    known = (c.pairs, c.after, c.again)
    assert polls_until_stuck(c, c.last or 0.0, t, 0.1 / SPAN, 24 * HOUR)
    assert not still.stuck(c, 2999.0, t + 25 * HOUR * POLL, True, 0.1 / SPAN)
    assert (c.pairs, c.after, c.again) == known


# ------------------------------------------------------------------ steam at the probe


def flashed(values: list[float], every: int = POLL) -> list[bool]:
    c = Flash()
    return [flashing.flashing(c, v, k * every, 4.0, SPAN, 0.1) for k, v in enumerate(values)]


def test_low_spikes_that_come_back_at_once_are_steam() -> None:
    draw = random.Random(3)
    spiky = [v * (draw.uniform(0.4, 0.85) if draw.random() < 0.3 else 1.0) for v in signal(60, 4.0, 0.1)]
    found = flashed(signal(30, 4.0, 0.1) + spiky)
    assert not any(found[:30])
    assert any(found[30:55])
    assert not flashed(spiky + signal(40, 4.0, 0.1))[-1]


def test_a_step_a_fall_a_rise_and_a_single_spike_are_no_steam() -> None:
    steady = signal(60, 6.0, 0.1)
    assert not any(flashed(steady + signal(60, 6.0, 0.1, 2300.0) + steady))
    assert not any(flashed([3000 - 4.5 * k for k in range(200)]))
    assert not any(flashed([1500 + 20.0 * k for k in range(100)]))
    assert not any(flashed([*steady, 1200.0, *steady]))


def test_the_first_readings_of_a_line_not_yet_flushed_are_no_spikes() -> None:
    c, t, found = Flash(), 0, []
    for _ in range(20):
        t += 1_800_000
        for v in (2500.0, 3000.0, 3001.0):
            t += POLL
            found.append(flashing.flashing(c, v, t, 4.0, SPAN, 0.1))
    assert not any(found)


# ------------------------------------------------------------------ noise


def loud(c: Noise, values: list[float], t: int) -> list[bool]:
    return [noise.grown(c, v, t + k * POLL, SPAN, 0.1, 3 * POLL) for k, v in enumerate(values)]


def test_noise_is_judged_by_its_own_history() -> None:
    c = Noise()
    quiet = loud(c, signal(2000, 4.0, 0.1), 0)
    assert not any(quiet)
    assert noise.usual(c) == pytest.approx(4.0, rel=0.15)
    assert any(loud(c, signal(100, 40.0, 0.1), 2000 * POLL))
    assert noise.usual(c) == pytest.approx(4.0, rel=0.25)  # a fault teaches nothing
    assert not loud(c, signal(400, 4.0, 0.1), 2100 * POLL)[-1]


def test_a_probe_that_was_always_noisy_and_one_that_climbs_are_not_noisier_than_usual() -> None:
    assert not any(loud(Noise(), signal(3000, 60.0, 0.1), 0))
    assert not any(loud(Noise(), [1000 + 1.5 * k for k in range(2000)], 0))


# ------------------------------------------------------------------ rate


BOUNDS = rate.rate_rule(5443.0, 4536.0, 2994.0)  # 12 000 lb of water, 10 000 lb/h of steam, 6600 lb/h of blow


def test_a_jump_no_water_can_make_is_doubted_and_accepted_when_it_stays() -> None:
    c = Rate()
    assert not rate.impossible(c, BOUNDS, 3000.0, 0, 0, SPAN)
    assert rate.impossible(c, BOUNDS, 3900.0, POLL, 0, SPAN)
    stays = [rate.impossible(c, BOUNDS, 3900.0, k * POLL, 0, SPAN) for k in range(2, 70)]
    assert stays[0] and not stays[-1]
    assert rate.impossible(c, BOUNDS, 3000.0, 71 * POLL, 0, SPAN)
    assert not rate.impossible(c, BOUNDS, 3900.0, 72 * POLL, 0, SPAN)  # it was a spike


def test_what_the_mass_balance_allows_is_not_doubted() -> None:
    """The climb of full load on feedwater half as salty as the boiler, a full blow, and bottom blowdown."""
    c, level = Rate(), 1500.0
    for k in range(HOUR):
        assert not rate.impossible(c, BOUNDS, level, k * POLL, 0, SPAN)
        level += level / 2 * 4536 / 5443 / HOUR
    for k in range(HOUR, 2 * HOUR):
        assert not rate.impossible(c, BOUNDS, level, k * POLL, 0, SPAN)
        level -= level * 2994 / 5443 / HOUR
    assert not rate.impossible(c, BOUNDS, level * 0.97, 2 * HOUR * POLL, 0, SPAN)


def test_without_the_boilers_figures_nothing_is_said() -> None:
    c, nothing = Rate(), rate.rate_rule(None, 4536.0, None)
    assert not any(rate.impossible(c, nothing, v, k, 0, SPAN) for k, v in enumerate((3000.0, 0.0, 5000.0)))


# ------------------------------------------------------------------ temperature


KPA = 827.0  # 120 psig, boils at 177 degC


def test_a_probe_that_was_hot_in_flowing_sample_and_goes_cold_sees_no_sample() -> None:
    c = Heat()
    for _ in range(20):
        assert not probe_heat.cold(c, 168.0, KPA, True, False)
    cooling = [probe_heat.cold(c, 168.0 - 5 * k, KPA, True, False) for k in range(25)]
    assert not any(cooling[:13]) and cooling[-1]
    assert probe_heat.cold(c, 60.0, KPA, False, False)  # the valve shuts: nothing new is known
    assert not probe_heat.cold(c, 165.0, KPA, True, False)


def test_a_probe_that_warms_one_never_hot_and_a_neighbours_blow_are_not_judged() -> None:
    assert not any(probe_heat.cold(Heat(), 35.0, KPA, True, False) for _ in range(100))  # behind a cooler
    c = Heat()
    for _ in range(20):
        probe_heat.cold(c, 168.0, KPA, True, False)
    assert not any(probe_heat.cold(c, 40.0 + 2 * k, KPA, True, False) for k in range(30))
    assert not any(probe_heat.cold(c, 40.0, KPA, True, True) for _ in range(30))


def test_nothing_of_this_boiler_is_hotter_than_its_water_boils() -> None:
    c = Heat()
    assert not any(probe_heat.above_boiling(c, 185.0, KPA, k * POLL) for k in range(200))
    found = [probe_heat.above_boiling(c, 210.0, KPA, k * POLL) for k in range(200)]
    assert not found[59] and found[60]


# ------------------------------------------------------------------ live or held


def pauses(c: Liveness, of: list[list[float]], resolution: float = 0.1) -> None:
    t = 0
    for values in of:
        t += 60_000
        liveness.learn(c, values[0], t, -1, SPAN, resolution)
        shut = t
        for v in values:
            t += POLL
            liveness.learn(c, v, t, shut, SPAN, resolution)
    liveness.learn(c, 0.0, t + POLL, -1, SPAN, resolution)


def test_a_signal_that_stands_still_between_samples_is_held_and_one_that_wanders_live() -> None:
    c = Liveness()
    pauses(c, [signal(180, 0.1, 0.1, 3000.0 - 40 * k, k) for k in range(3)])
    assert c.now == liveness.HELD
    c = Liveness()
    pauses(c, [[3000 + 1.5 * k + n for k, n in enumerate(signal(180, 4.0, 0.1, 0.0, s))] for s in range(3)])
    assert c.now == liveness.LIVE
    assert "learned" in liveness.says(c, False, False, True)


def test_two_pauses_short_pauses_and_doubtful_ones_decide_nothing() -> None:
    c = Liveness()
    pauses(c, [signal(180, 0.1, 0.1), signal(180, 0.1, 0.1)])
    assert c.now == liveness.UNKNOWN
    pauses(c, [signal(20, 9.0, 0.1) for _ in range(9)])
    pauses(c, [[3000.0] * 90 + [3010.0] * 90 for _ in range(9)])  # more than noise of a module, less than drift
    assert c.now == liveness.UNKNOWN
    assert "until it is learned (2 of 3" in liveness.says(c, False, True, True)


# ------------------------------------------------------------------ plateau


def test_a_sample_has_settled_when_it_moves_no_more_than_noise_and_a_blow_make_it() -> None:
    def last(*values: float) -> int:
        recent: plateau.Recent = ()
        for k, v in enumerate(values):
            recent = plateau.with_reading(recent, k * POLL, v)
        return plateau.verdict(recent, SPAN)

    assert last(3000) == plateau.SETTLED
    assert last(2500, 2990, 3010, 3000) == plateau.SETTLED
    assert last(3000, 2970, 2940) == plateau.SETTLED
    assert last(2700, 2850, 2980) == plateau.MOVING
    assert last(1200, 1500, 2200) == plateau.FAR
