"""What `check` says of tanks that are never told low, or neither low nor empty."""

from __future__ import annotations

import pytest

from config.check import check
from config.load import loads
from tests.support.feed import HEAD, boiler

TANK = '[[tank]]\nname = "scavenger_tank"\nvolume = "100 gal"\nserves = ["B1"]\n'
PERCENT = 'level = { channel = "m.temp", range = "4..20 mA = 0..100 %" }\n'
INCHES = 'level = { channel = "m.temp", range = "4..20 mA = 0..40 in" }\n'
SHAPE = 'shape = { form = "upright", height = "40 in" }\n'
LOW = 'low = "15 %"\n'


def said(more: str) -> list[tuple[str, str]]:
    """Level and text of the findings about what is not judged of the tank."""
    found = check(loads(HEAD + boiler() + TANK + more))
    return [(f.level, f.text) for f in found if "not judged: scavenger_tank" in f.text]


@pytest.mark.parametrize(
    ("more", "level", "wants"),
    [
        (LOW, "warning", "never told low or empty; wants its level"),
        (INCHES + LOW, "warning", "never told low or empty; wants a shape"),
        (PERCENT, "note", 'told empty, and never low; wants low, like low = "15 %"'),
    ],
)
def test_a_level_that_is_not_judged_is_said(more: str, level: str, wants: str) -> None:
    ((found, text),) = said(more)
    assert found == level and wants in text


@pytest.mark.parametrize("more", [PERCENT + LOW, INCHES + SHAPE + LOW])
def test_a_level_that_is_judged_is_not(more: str) -> None:
    assert said(more) == []
