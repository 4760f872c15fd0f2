"""Cycles and blowdown, against tests/reference/blowdown.csv."""

from __future__ import annotations

import pytest

from daemon.water.balance import (
    after,
    blowdown_flow,
    blowdown_of_feedwater,
    blowdown_of_steam,
    cycles,
    feedwater_flow,
    fuel_energy,
    makeup_share,
)
from tests.support.published import Row, rows, table

BD = table("blowdown")


def test_the_worked_example_of_the_manual() -> None:
    # UFC 3-240-13FN, p. 44, equations 5-8
    x = BD["BD-001"].inputs
    n = cycles(x["boiler"], x["feedwater"])
    assert n == BD["BD-001"].number
    assert blowdown_of_feedwater(n) * 100 == BD["BD-002"].number
    steam = BD["BD-003"].inputs["steam"]
    blown = steam * blowdown_of_steam(n)
    assert blown == pytest.approx(BD["BD-003"].number, abs=0.5)
    assert feedwater_flow(steam, blowdown_of_feedwater(n)) == pytest.approx(BD["BD-004"].number, abs=0.5)
    assert BD["BD-005"].inputs["steam"] * blowdown_of_steam(n) == pytest.approx(BD["BD-005"].number, abs=0.005)


@pytest.mark.parametrize("row", rows("blowdown", "cycles; blowdown of feedwater"), ids=str)
def test_cycles_and_both_percentages(row: Row) -> None:
    n = cycles(row.inputs["boiler"], row.inputs["feedwater"])
    got = (n, blowdown_of_feedwater(n) * 100, blowdown_of_steam(n) * 100)
    assert got == pytest.approx(tuple(row.numbers), rel=1e-3)


@pytest.mark.parametrize("row", rows("blowdown", "blowdown flow q"), ids=str)
def test_blowdown_that_holds_a_boiler(row: Row) -> None:
    x = row.inputs
    assert blowdown_flow(x["steam"], x["boiler TDS"], x["feed TDS"]) == pytest.approx(row.number, abs=0.01)


@pytest.mark.parametrize(
    "row", [BD["BD-011"], BD["BD-012"], *rows("blowdown", "feedwater and blowdown from percent")], ids=str
)
def test_feedwater_for_a_steam_flow(row: Row) -> None:
    share = row.inputs["blowdown"] / 100
    got = feedwater_flow(row.inputs["steam"], share)
    assert got == pytest.approx(row.numbers[0], abs=1)
    if len(row.numbers) > 1:
        assert got * share == pytest.approx(row.numbers[1], abs=0.5)


@pytest.mark.parametrize("row", rows("blowdown", "percent of steam from percent of feedwater"), ids=str)
def test_one_percentage_from_the_other(row: Row) -> None:
    of_feedwater = float(row.text.split()[0]) / 100
    assert blowdown_of_steam(1 / of_feedwater) * 100 == pytest.approx(row.number, rel=1e-4)


@pytest.mark.parametrize("row", rows("blowdown", "makeup share of feedwater"), ids=str)
def test_the_share_of_makeup(row: Row) -> None:
    x = row.inputs
    assert makeup_share(x["feedwater"], x["condensate"], x["makeup"]) * 100 == pytest.approx(row.number, abs=0.01)


def test_the_ratio_of_the_tip_sheet_is_of_feedwater() -> None:
    x = BD["BD-006"].inputs  # US DOE Steam Tip Sheet #10
    of_feedwater = x["blowdown"] / (x["steam"] + x["blowdown"])
    assert of_feedwater * 100 == pytest.approx(BD["BD-006"].number, abs=0.05)
    assert feedwater_flow(x["steam"], of_feedwater) == pytest.approx(x["steam"] + x["blowdown"])


def test_makeup_saved_by_less_blowdown() -> None:
    before, after_ = (feedwater_flow(100_000, share) for share in (0.08, 0.06))
    assert before - after_ == pytest.approx(BD["BD-013"].number, abs=1)
    pounds = before - after_
    # BD-015, BD-016, BD-017: what it saves a year; BTU/lb of blowdown above makeup from BD-014
    heat = BD["BD-014"].number
    for row, efficiency in ((BD["BD-015"], 0.82), (BD["BD-016"], 0.83)):
        assert pounds * 8760 * heat / efficiency / 1e6 * 3.00 == pytest.approx(row.number, abs=10)
    assert pounds * 8760 / 8.34 * 0.004 == pytest.approx(BD["BD-017"].number, abs=5)


def test_decay_while_blowing_without_steaming_is_bd_033() -> None:
    got = after(start=4000, feedwater=100, steam=0, blowdown=1000, water=5000, hours=0.5)
    assert got == pytest.approx(BD["BD-033"].number, abs=0.5)


def test_climb_with_the_valve_shut_is_bd_034() -> None:
    got = after(start=2500, feedwater=150, steam=2000, blowdown=0, water=5000, hours=3)
    assert got == pytest.approx(BD["BD-034"].number, abs=0.5)


def test_a_steady_boiler_stays_where_its_balance_is() -> None:
    blown = blowdown_flow(steam=4000, boiler=3500, feedwater=80)
    assert after(3500, 80, 4000, blown, 8000, 100) == pytest.approx(3500)
    assert after(1000, 80, 4000, blown, 8000, 5000) == pytest.approx(3500)


def test_fuel_for_the_heat_in_blowdown() -> None:
    x = BD["BD-007"].inputs  # US DOE Steam Tip Sheet #10: 90 % of the heat in blowdown recovered
    a_year = x["table value"] * x["steam"] / 100_000 * x["hours"]
    energy = fuel_energy(a_year, x["boiler efficiency"])
    assert energy == pytest.approx(BD["BD-007"].number, abs=1.5)
    assert energy * BD["BD-008"].inputs["fuel"] == pytest.approx(BD["BD-008"].number, abs=3)
