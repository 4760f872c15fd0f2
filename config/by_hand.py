"""[[test]]: a test of the water done by hand, its control range and how often it is due.

Imports nothing of ours but `config.units`, `config.water_tests` and `config.written`.
"""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import ValidationInfo, WithJsonSchema, field_validator

from config import units, water_tests
from config.written import Name, Part, Positive, Time

RESULT: Final = WithJsonSchema(
    {
        "anyOf": [{"type": "string", "examples": ["2 ppm"]}, {"type": "number", "examples": [10.8]}],
        "description": "a result with its unit; of pH the number alone",
    }
)


class ControlTest(Part):
    """[[test]]: a test done by hand, its control range in the unit `config.water_tests` reckons in, how often due."""

    target: Name
    what: str
    low: Annotated[float | None, RESULT] = None
    high: Annotated[float | None, RESULT] = None
    every: Annotated[Time, Positive] | None = None
    grace: Time | None = None  # how late it may be before it is told; None: a quarter of `every`

    @field_validator("what")
    @classmethod
    def _what(cls, value: str) -> str:
        return water_tests.named_test(value).what

    @field_validator("low", "high", mode="before")
    @classmethod
    def _limit(cls, value: object, info: ValidationInfo) -> object:
        if "what" not in info.data or (isinstance(value, float) and not info.context):
            return value if not isinstance(value, str) else None  # an unknown test has a finding of its own
        test = water_tests.named_test(info.data["what"])
        if test.result == "passed":
            raise ValueError(f"{test.title} is passed or failed and has no range; found {units.found_text(value)}")
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise ValueError(
                f"wants a result of the test, like a figure with its unit; found {units.found_text(value)}"
            )
        number, unit = water_tests.read_result(test, str(value))
        return water_tests.result_in_base(test, number, unit)
