"""Kinds of alarm about tests done by hand. Pure data."""

from __future__ import annotations

from typing import Final

from daemon.alarms.kind import DAY, LIMITS, LOW_WATER, MINUTE, Kind

BY_HAND: Final[tuple[Kind, ...]] = (
    Kind(
        kind="test_out_of_range",
        title="Test out of range",
        means="A result somebody entered lies outside the control range this plant has agreed on.",
        consequence="Scale, corrosion or foaming, whichever the test guards against, while the water stays as it is.",
        causes=(
            "treatment fed too much or too little",
            "softener or other makeup treatment exhausted",
            "condensate contaminated",
            "blowdown too much or too little",
            "sample not cooled or reagent too old",
        ),
        first_checks=(
            "Ask whether the test was repeated with a fresh sample and what it gave.",
            "Compare with the results before it and with the other tests of the same water.",
            "Look at the chemical tanks and pumps: level, running, stroke.",
            "Look at the conductivity and the makeup since the last result.",
        ),
        caution=LIMITS,
        respond_s=DAY,
        priority="medium",
        unit="",
        on_delay_s=0.0,
        off_delay_s=0.0,
        suppressed_when_off=False,
    ),
    Kind(
        kind="test_overdue",
        title="Test overdue",
        means="A test has not been entered for longer than this plant has agreed on.",
        consequence="What only this test shows goes unseen: hardness and oxygen do not show in conductivity.",
        causes=("not done", "done and not entered here", "reagent or instrument missing", "nobody on shift to do it"),
        first_checks=(
            "Read the test book: it may hold a result that is not here.",
            "Ask the shift who does this test and with what.",
        ),
        caution=LIMITS,
        respond_s=DAY,
        priority="low",
        unit="s",
        on_delay_s=0.0,
        off_delay_s=0.0,
        suppressed_when_off=False,
    ),
    Kind(
        kind="safety_test_failed",
        title="Safety device failed its test",
        means="Somebody tested a device that protects the boiler and entered that it failed.",
        consequence="What stops the fire or lets off the pressure when all else fails may not work.",
        causes=(
            "float, probe or column fouled",
            "wiring or relay of the device at fault",
            "safety valve seized or set wrongly",
            "flame detector dirty or failed",
            "an entry by mistake",
        ),
        first_checks=(
            "Ask who did the test what was seen, step by step.",
            "Look at the water level in the glass.",
            "Look at the burner: firing or out.",
            "Read the test book: when it last passed.",
        ),
        caution=LOW_WATER,
        respond_s=15 * MINUTE,
        priority="high",
        unit="",
        on_delay_s=0.0,
        off_delay_s=0.0,
        suppressed_when_off=False,
    ),
)
