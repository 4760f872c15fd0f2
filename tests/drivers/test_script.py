"""The scripted driver says its lines in order."""

from __future__ import annotations

import pytest

from drivers.contract import Answer, DriverError, Fault, ReadPlan
from drivers.registry import plan_reads
from drivers.script import LinkSilent, ScriptedDriver
from tests.support.modbus import module

CHANNELS = {"a": {"function": "input", "address": 0}, "b": {"function": "input", "address": 1}}
PLAN = plan_reads(module(CHANNELS, name="ai"))
OTHER = plan_reads(module(CHANNELS, name="di"))


async def test_one_line_a_poll_and_the_last_stays() -> None:
    ready = Answer((5, 6), (Fault.NONE, Fault.NONE), "odd")
    silent = LinkSilent("panel", 7, 1.0)
    driver = ScriptedDriver([(1, 2.5), (3, None), (Fault.NOT_A_NUMBER, 4), Fault.BAD_ANSWER, silent, ready])
    got = [await driver.read(PLAN) for _ in range(7)]
    assert [a.counts for a in got] == [(1, 2.5), (3, None), (None, 4), (None, None), (None, None), (5, 6), (5, 6)]
    assert [a.faults[1] for a in got] == [0, Fault.NO_ANSWER, 0, Fault.BAD_ANSWER, Fault.NO_ANSWER, 0, 0]
    assert got[4].detail == str(silent)
    assert got[4].silent
    assert driver.asked == [PLAN] * 7


async def test_each_module_may_have_a_script_of_its_own() -> None:
    driver = ScriptedDriver({"ai": [(1, 1)], "di": [(2, 2)]})
    assert [(await driver.read(p)).counts for p in (OTHER, PLAN)] == [(2, 2), (1, 1)]
    assert set((await ScriptedDriver({"ai": [(1, 1)]}).read(OTHER)).faults) == {Fault.NO_ANSWER}


async def test_the_delay_is_awaited_before_each_answer() -> None:
    told: list[str] = []

    async def delay(plan: ReadPlan) -> None:
        told.append(plan.module)

    driver = ScriptedDriver([(1, 2)], delay=delay)
    assert (await driver.read(OTHER)).counts == (1, 2)
    assert told == ["di"]


async def test_a_line_of_another_width_is_an_error_of_the_test() -> None:
    with pytest.raises(DriverError, match="wants 2 values a poll; found 3"):
        await ScriptedDriver([(1, 2, 3)]).read(PLAN)
