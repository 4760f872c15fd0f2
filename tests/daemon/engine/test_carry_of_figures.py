"""Figures under a changed plant file: what was summed goes on, what means something else begins anew."""

from __future__ import annotations

import pytest

from daemon.engine import carry, dump, restore
from tests.support.feed import boiler, plant
from tests.support.figures import WATER, Flowing, analogue, figure, ma, meter

DAY = 24 * 3600
PUMP = '[[chemical]]\nname = "c"\npump = "m.pump"\nrate = "2 L/h"\nrate_date = "2026-09-14"\nserves = ["B1"]\n'


def parts(*more: str, rate: str = "2 L/h", flow: str = "1000 kg/h") -> tuple[str, ...]:
    b = boiler(valve=f'command = "m.blow", opening_flow = "{flow}"', more='feedwater_conductivity = "feedwater"\n')
    signals = analogue("feedwater", "0..500 uS/cm"), meter("feed", "feedwater")
    return (WATER, b, *more, *signals, PUMP.replace("2 L/h", rate))


def after_a_day() -> Flowing:
    f = Flowing(plant(*parts()), every_s=60.0)
    f.flows = {"feed": 1000.0}
    return f.flow(DAY, cond=3000.0, feedwater=ma(300, 500), pump=1)


def reloaded(f: Flowing, *new: str) -> None:
    p = plant(*new)
    f.state, _, _ = carry(f.state, p, 2, 0)
    f.plant = p


def test_a_new_meter_in_the_file_leaves_the_day_that_was_summed() -> None:
    f = after_a_day()
    before = {n: figure(f, n) for n in ("B1.cycles_apparent", "c.fed")}
    reloaded(f, *parts(meter("makeup", "makeup")))
    f.flow(600)
    assert figure(f, "B1.cycles_apparent") == (pytest.approx(before["B1.cycles_apparent"][0], rel=1e-3), "good")
    assert figure(f, "c.fed")[0] == pytest.approx(before["c.fed"][0], rel=0.02)


def test_a_new_rate_is_not_mixed_with_the_old() -> None:
    f = after_a_day()
    reloaded(f, *parts(rate="4 L/h"))
    f.flow(3600)
    assert figure(f, "c.fed")[0] == pytest.approx(4, rel=0.2)
    assert figure(f, "B1.cycles_apparent")[0] == pytest.approx(10, rel=1e-3)


def test_a_new_stated_flow_leaves_the_feedwater_and_begins_the_boiler_anew() -> None:
    f = after_a_day()
    reloaded(f, *parts(flow="2000 kg/h"))
    f.flow(1200, blow=1)
    assert figure(f, "B1.blowdown_of_feedwater")[0] < 100 * 2000 / 3 / (1000 * 24) * 1.1


def test_what_passes_between_the_last_poll_and_the_reload_is_counted() -> None:
    f = after_a_day()
    passed = f.state.cells.senses.balance.m3[0]
    reloaded(f, *parts(rate="4 L/h"))
    f.flow(60)
    assert f.state.cells.senses.balance.m3[0] == pytest.approx(passed + 1000 / 60 / 1000, abs=0.0011)
    sums = f.state.cells.senses.balance.sums
    base = f.state.programme.wiring.balance.meters[0].base
    assert sums.of(base) == pytest.approx(24.0, rel=0.03)


def test_the_sums_survive_the_snapshot() -> None:
    f = after_a_day()
    again = restore(f.plant, dump(f.state))
    assert again.cells == f.state.cells
