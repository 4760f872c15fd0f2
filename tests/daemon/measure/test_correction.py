"""Compensation to 25 °C with its range of trust, dissolved solids, and the steps that explain both."""

from __future__ import annotations

from math import inf, isfinite

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.solids import Compensation, Solids
from daemon.core.reasons import Quality, Reason, quality
from daemon.core.tags import derived_tags
from daemon.measure.correction import Factors, at_25, steps
from tests.support.feed import Feed, boiler, plant
from tests.support.published import rows, table

LINEAR = Compensation("linear", 2.0, 10.0, 50.0)
NATURAL = Compensation("natural water", 0.0, 0.0, 35.0, 1000.0)
HEAT = 'probe_temperature = { channel = "m.temp", range = "4..20 mA = 0..200 °C" }\n'


def feed(keys: str, more: str = HEAT) -> Feed:
    return Feed(plant(boiler("continuous", more=more).replace('signal = "live"', f'signal = "live", {keys}')))


def ma(celsius: float) -> float:
    return 4 + 16 * celsius / 200


def newest(f: Feed) -> tuple[float, Reason]:
    return f.readings[-1][1], Reason(f.readings[-1][2])


def test_inside_the_range_of_trust_a_linear_compensation_is_good_and_outside_it_is_uncertain() -> None:
    f = feed('compensation = "linear"')
    f.run(120, cond=3000, temp=ma(40))
    assert newest(f) == (pytest.approx(3000 / 1.3, abs=0.5), Reason.GOOD)
    f.run(60, temp=ma(100))
    assert newest(f) == (pytest.approx(3000 / 2.5, abs=0.5), Reason.COMPENSATION_STRETCHED)
    assert quality(Reason.COMPENSATION_STRETCHED) is Quality.UNCERTAIN
    f = feed('compensation = "linear", coefficient = "1.8 %", compensation_trusted = "150..190 °C"')
    f.run(120, cond=4500, temp=ma(170))
    assert newest(f) == (pytest.approx(4500 / (1 + 0.018 * 145), abs=0.5), Reason.GOOD)


def test_the_range_of_trust_of_two_percent_is_that_of_potassium_chloride() -> None:
    # standard solutions of 0.01 and 0.1 mol/kg, CRC Handbook (CO-001 to CO-025): within 3 % from 10 to 50 °C, and
    # beyond it at 0 and 5 °C
    seen = []
    for row in rows("conductivity", "conductivity of KCl standard"):
        mol, t = row.inputs["molality"], row.inputs["t"]
        if mol > 0.1 or t == 25:
            continue
        at25 = table("conductivity")["CO-013" if mol == 0.01 else "CO-014"].number
        k25, why = at_25(row.number, LINEAR, t, False)
        if t == 0:
            assert why == Reason.NOT_COMPENSATED  # a probe at 0 °C is no probe on a boiler
            continue
        assert k25 is not None
        off = abs(k25 / at25 - 1)
        assert (off < 0.03) is (why == 0), row
        seen.append(t)
    assert min(seen) == 5
    assert max(seen) == 50


def test_natural_waters_are_trusted_to_1000_and_have_no_factor_beyond_35_degrees() -> None:
    # CO-058, scope of ISO 7888 (from memory)
    assert at_25(500, NATURAL, 20, False) == (pytest.approx(558), 0)
    assert at_25(1000, NATURAL, 20, False) == (pytest.approx(1116), Reason.COMPENSATION_STRETCHED)
    assert at_25(500, NATURAL, 60, False) == (None, Reason.COMPENSATION_ENDS)
    assert quality(Reason.COMPENSATION_ENDS) is Quality.BAD
    f = feed('compensation = "natural water"')
    f.run(120, cond=500, temp=ma(20))
    assert newest(f) == (pytest.approx(558, abs=0.3), Reason.GOOD)
    n = len(f.readings)
    f.run(60, temp=ma(60))
    assert len(f.readings) == n


@pytest.mark.parametrize("row", rows("conductivity", "natural-water temperature correction"), ids=str)
def test_the_natural_water_curve_in_the_loop(row: object) -> None:
    t, factor = row.inputs["t"], row.number  # type: ignore[attr-defined]
    if t == 0:
        return  # a signal at its lower end, taken as a fault
    k25, why = at_25(400, NATURAL, t, False)
    assert (k25, why) == (pytest.approx(400 * factor, rel=0.002), 0)


def test_a_probe_that_nobody_compensates_is_uncertain() -> None:
    f = feed("compensated = false", more="")
    f.run(120, cond=3000)
    assert newest(f) == (pytest.approx(3000, abs=0.3), Reason.NOT_AT_25)


def test_dissolved_solids_stand_beside_each_reading_in_a_unit_that_says_how_the_sample_was() -> None:
    f = feed("neutralised = true", more='dissolved_solids = { factor = 0.8, date = "2026-10-14" }\n')
    tags = derived_tags(f.plant)
    at = {t.name: i for i, t in enumerate(tags)}
    assert tags[at["B1.dissolved_solids"]].unit == "ppm TDS (neutralised)"
    assert tags[at["B1.conductivity"]].unit == "uS/cm (neutralised)"
    f.run(60, cond=2500)
    outcome = f.poll()
    values = {d.tag: d.value for d in outcome.derived}
    assert values[at["B1.dissolved_solids"]] == pytest.approx(0.8 * values[at["B1.conductivity"]])
    assert "B1.dissolved_solids" not in {t.name for t in derived_tags(plant(boiler()))}


@given(
    st.floats(-1e4, 1e5),
    st.sampled_from((LINEAR, NATURAL, Compensation("none"), Compensation("transmitter"), Compensation("linear", 60))),
    st.none() | st.floats(-300, 500),
    st.booleans(),
)
def test_no_temperature_makes_an_exception_or_a_good_reading_outside_the_range(
    k: float, rule: Compensation, t: float | None, corrected: bool
) -> None:
    k25, why = at_25(k, rule, t, corrected)
    assert (k25 is None) == (quality(why) is Quality.BAD)
    assert k25 is None or isfinite(k25)
    if rule.here and why == 0:
        assert t is not None
        assert rule.low_c <= t <= rule.high_c
        assert k25 is not None
        assert k25 <= rule.highest


def test_the_steps_say_formula_constants_and_source_and_come_to_the_same() -> None:
    solids = Solids(0.7, "the usual factor", "ppm TDS (unneutralised)")
    force = Factors(1.05, 12.0, 0.0, 0, 17)
    made = steps(3000, LINEAR, 40.0, force, solids)
    assert [s.what for s in made] == ["compensation to 25 °C", "correction in the log", "dissolved solids"]
    k25, _ = at_25(3000, LINEAR, 40.0, True)
    assert k25 is not None
    assert [s.value for s in made] == pytest.approx([k25, force.apply(k25), 0.7 * force.apply(k25)])
    assert "3000 / (1 + 2 % × (40 - 25)) = 2307.69" in made[0].formula
    assert made[1].source == "calibration record of act 17"
    assert made[2].unit == "ppm TDS (unneutralised)"
    assert force.undo(force.apply(k25)) == pytest.approx(k25)
    (only,) = steps(500, NATURAL, 60.0)
    assert (only.value, only.reason) == (None, Reason.COMPENSATION_ENDS)
    assert steps(500, Compensation("transmitter"), None)[0].formula == "none here: the transmitter does it"
    assert steps(400, NATURAL, 20.0)[0].value == pytest.approx(446.4)
    assert NATURAL.highest < inf
