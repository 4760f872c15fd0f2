"""Faults of registers that reading clears: they tell whether the register may have been read."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from config.model import Module
from drivers.contract import Answer, Fault
from drivers.modbus.decode import Items
from drivers.modbus.functions import Refusal
from drivers.modbus.plan import plan
from drivers.modbus.poll import ready

CHANNELS = {
    "coil": {"function": "coil", "address": 0},
    "level": {"function": "input", "address": 0},
    "pulses": {"function": "input", "address": 20, "type": "u32"},
    "far": {"function": "input", "address": 90},
}
MODULE = Module.model_validate(
    {"name": "ai", "link": "panel", "channels": CHANNELS, "clear_on_read": ["input 20..21"], "gap": 0}
)
COIL, LEVEL, PULSES, FAR = range(4)


def played(*got: Items | Refusal) -> Answer:
    """A poll in which the requests (coil, input 0, 20..21, 90) get these."""
    steps = ready(plan(MODULE)).steps()
    next(steps)
    try:
        for one in got:
            steps.send(one)
    except StopIteration as end:
        answer: Answer = end.value
        return answer
    raise AssertionError("it asks on")


def faults(*got: Items | Refusal) -> Sequence[Fault]:
    return played(*got).faults


def test_only_the_pulses_are_cleared() -> None:
    made = plan(MODULE)
    assert made.clears == {PULSES}
    assert [(r.address, r.count) for r in made.requests] == [(0, 1), (0, 1), (20, 2), (90, 1)]
    assert played([1], (7,), (0, 3), (9,)).counts == (1, 7, 3, 9)


@pytest.mark.parametrize(
    ("fault", "sent", "told"),
    [
        (Fault.NO_ANSWER, True, Fault.NO_ANSWER),
        (Fault.BAD_ANSWER, True, Fault.BAD_ANSWER),
        (Fault.BAD_ANSWER, False, Fault.NOT_ASKED),  # a line that was never quiet
        (Fault.LINK_DOWN, True, Fault.CUT_OFF),
        (Fault.LINK_DOWN, False, Fault.LINK_DOWN),
        (Fault.STOPPING, True, Fault.CUT_OFF),
        (Fault.STOPPING, False, Fault.STOPPING),
        (Fault.REFUSED_11, True, Fault.REFUSED_11),
    ],
)
def test_what_is_told_when_its_own_request_failed(fault: Fault, sent: bool, told: Fault) -> None:
    assert faults([1], (7,), Refusal(fault, "", skip=True, sent=sent)) == (Fault.NONE, Fault.NONE, told, fault)


def test_after_an_earlier_silence_it_was_not_asked_and_the_module_counts_as_silent() -> None:
    answer = played(Refusal(Fault.NO_ANSWER, "", skip=True))
    assert answer.faults == (Fault.NO_ANSWER, Fault.NO_ANSWER, Fault.NOT_ASKED, Fault.NO_ANSWER)
    assert answer.silent


def test_a_refusal_of_another_request_does_not_touch_it() -> None:
    assert played(Refusal(Fault.REFUSED_1, ""), (7,), (0, 3), (9,)).counts == (None, 7, 3, 9)
