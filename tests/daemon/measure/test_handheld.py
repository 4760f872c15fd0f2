"""What a handheld's value of a grab comes to, and when it may not stand beside ours."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.measure.handheld import Grab, HandheldRefused, at_25
from daemon.water.steam import flash_fraction
from tests.support.published import rows

GRAB = Grab(2450, cooled=True, compensated=True, neutralised=False)


def test_microsiemens_and_ppm_with_the_meters_factor() -> None:
    assert at_25(GRAB, neutralised=False) == 2450
    assert at_25(replace(GRAB, value=2.45, unit="mS/cm"), neutralised=False) == pytest.approx(2450)
    assert at_25(replace(GRAB, value=1715, unit="ppm", factor=0.7), neutralised=False) == pytest.approx(2450)


@pytest.mark.parametrize("row", rows("conductivity", "TDS from conductivity with factor"), ids=str)
def test_ppm_back_to_conductivity(row: object) -> None:
    x, ppm = row.inputs, row.number  # type: ignore[attr-defined]
    got = at_25(replace(GRAB, value=ppm, unit="ppm", factor=x["f"]), neutralised=False)
    assert got == pytest.approx(x["k"], rel=1e-6)


@pytest.mark.parametrize("row", rows("conductivity", "linear temperature compensation"), ids=str)
def test_a_meter_that_does_not_compensate_wants_the_temperature(row: object) -> None:
    x, expected = row.inputs, row.number  # type: ignore[attr-defined]
    grab = replace(GRAB, value=x["k_T"], compensated=False, celsius=x["t"])
    if x["t"] > 50:
        with pytest.raises(HandheldRefused, match="Cool it nearer to 25"):
            at_25(grab, neutralised=False)
    else:
        got = at_25(grab, neutralised=False, coefficient=x["alpha"] * 100)
        assert got == pytest.approx(expected, rel=1e-4)


def test_an_uncooled_grab_is_refused_with_what_flashes() -> None:
    hot = replace(GRAB, cooled=False)
    share = flash_fraction(827.4)  # 120 psig
    with pytest.raises(HandheldRefused, match=r"reads about 17 % \(15 % of it flashes at this pressure\) too high"):
        at_25(hot, neutralised=False, flashed=share)
    with pytest.raises(HandheldRefused, match="up to about 20 %"):
        at_25(hot, neutralised=False)


def test_neutralised_and_not_are_never_mixed() -> None:
    # CO-101: caustic reads about twice its neutralised self
    assert rows("conductivity", "unneutralised over neutralised")[0].number == pytest.approx(2, rel=0.05)
    with pytest.raises(HandheldRefused, match="the grab was neutralised, our reading is of unneutralised water"):
        at_25(replace(GRAB, neutralised=True), neutralised=False)
    assert at_25(replace(GRAB, neutralised=True), neutralised=True) == 2450


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"cooled": None}, "whether the grab was cooled"),
        ({"unit": "ppm"}, "wants the meter's own factor"),
        ({"unit": "ppm", "factor": 7.0}, "wants the meter's own factor"),
        ({"unit": "psig"}, "or ppm"),
        ({"compensated": False}, "temperature of the sample"),
        ({"value": 0.0}, "above 0"),
        ({"value": float("nan")}, "above 0"),
    ],
)
def test_what_is_missing_is_named(change: dict[str, object], text: str) -> None:
    with pytest.raises(HandheldRefused, match=text):
        at_25(replace(GRAB, **change), neutralised=False)  # type: ignore[arg-type]
