"""The corruption campaign in short, and that it would notice: `deploy/prove corruption` is the whole of it."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from drivers.modbus import guard
from drivers.modbus.functions import Shape
from drivers.modbus.guard import Look
from drivers.modbus.talk import RTU, Talk
from tests.campaign.corruption import LEAST, LineCampaign, Tally, main


def test_no_wrong_value_is_taken_as_good() -> None:
    figures = main(quick=True)
    assert figures["wrong_values_accepted"] == 0
    assert figures["least_injected"] == LEAST
    assert figures["passed"] is True


def test_a_line_that_does_not_wait_for_late_answers_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Talk, "rested", lambda self, unit: 0.0)
    tally = Tally()
    line = LineCampaign(RTU, random.Random(1), tally, "RTU")
    for _ in range(300):
        line.exchange("late, within")
    assert tally.wrong["RTU: late, within"] > 20


def test_a_guard_that_trusts_every_checksum_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "checked", lambda frame: True)
    tally = Tally()
    trusting = replace(RTU, look=_look)  # the same, but for its search
    line = LineCampaign(RTU, random.Random(2), tally, "RTU")
    line.talk = Talk(line.link, trusting)
    line.talk.opened(0.0)
    for _ in range(300):
        line.exchange("bits flipped")
    assert tally.wrong["RTU: bits flipped"] > 30


def _look(data: bytes, unit: int, shape: Shape, request: bytes = b"") -> Look:
    return guard.look(data, unit, shape, request)
