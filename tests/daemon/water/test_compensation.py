"""Temperature compensation, against tests/reference/conductivity.csv."""

from __future__ import annotations

import pytest

from config import units
from daemon.water.compensation import mean_coefficient, natural_water_factor, to_25
from tests.support.published import Row, rows


@pytest.mark.parametrize("row", rows("conductivity", "linear temperature compensation"), ids=str)
def test_linear_compensation(row: Row) -> None:
    x = row.inputs
    assert to_25(x["k_T"], x["t"], x["alpha"] * 100) == pytest.approx(row.number, rel=1e-4)


@pytest.mark.parametrize("row", rows("conductivity", "mean linear coefficient of KCl"), ids=str)
def test_the_mean_coefficient_of_potassium_chloride(row: Row) -> None:
    x = row.inputs
    got = mean_coefficient(x["k_t"], x["k_25"], x["t"])
    assert got == pytest.approx(row.number, abs=0.005)
    assert to_25(x["k_t"], x["t"], got) == pytest.approx(x["k_25"])


@pytest.mark.parametrize("row", rows("conductivity", "error of a fixed 2.0 %/C"), ids=str)
def test_what_a_fixed_coefficient_gets_wrong(row: Row) -> None:
    x = row.inputs
    error = (to_25(x["k_t"], x["t"], 2.0) / x["k_25"] - 1) * 100
    assert abs(error) == pytest.approx(row.number, abs=0.05)


@pytest.mark.parametrize("row", rows("conductivity", "natural-water temperature correction"), ids=str)
def test_natural_waters(row: Row) -> None:
    # from memory: also held against the potassium chloride of the handbook (read), within 5 %
    t = row.inputs["t"]
    f = natural_water_factor(t)
    assert f == pytest.approx(row.number, abs=0.002)
    kcl = {
        r.inputs["t"]: r.number for r in rows("conductivity", "conductivity of KCl standard") if r.text[9:13] == "0.01"
    }
    if t in kcl:
        assert f == pytest.approx(kcl[25.0] / kcl[t], rel=0.06)


@pytest.mark.parametrize("row", rows("conductivity", "conductivity unit conversion"), ids=str)
def test_units_of_conductivity(row: Row) -> None:
    assert units.quantity(row.text, "conductivity") == pytest.approx(row.number)


def test_outside_its_reach_it_says_so() -> None:
    with pytest.raises(ValueError, match="-30 °C"):
        to_25(1000, -30, 2.0)
    with pytest.raises(ValueError, match="0 to 35 °C; found 60"):
        natural_water_factor(60)
    with pytest.raises(ValueError, match="other than 25"):
        mean_coefficient(1, 1, 25)
