"""Rows of tests/reference: published or independently computed values, by their ids."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parent.parent / "reference"
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")


@dataclass(frozen=True)
class Row:
    id: str
    quantity: str
    text: str  # the inputs as written
    inputs: dict[str, float]  # "I=4 mA; LRV=0" -> {"I": 4.0, "LRV": 0.0}
    expected: str
    tolerance: str
    source: str
    status: str

    def __str__(self) -> str:
        return f"{self.id} ({self.source})"

    @property
    def numbers(self) -> list[float]:
        """The numbers in `expected`, in order."""
        return [float(n) for n in _NUMBER.findall(self.expected)]

    @property
    def number(self) -> float:
        return self.numbers[0]


@cache
def table(name: str) -> dict[str, Row]:
    """All rows of reference/NAME.csv."""
    with (FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return {
            r["id"]: Row(
                r["id"],
                r["quantity"],
                r["inputs"],
                _inputs(r["inputs"]),
                r["expected"],
                r["tolerance"],
                r["source"],
                r["status"],
            )
            for r in csv.DictReader(file)
        }


def rows(name: str, quantity: str) -> list[Row]:
    """The rows whose quantity begins so; never an empty list."""
    found = [r for r in table(name).values() if r.quantity.startswith(quantity)]
    assert found, f"no row of {name} is about {quantity!r}"
    return found


def _inputs(text: str) -> dict[str, float]:
    out = {}
    for part in text.split(";"):
        for name in part.split("=")[:-1]:
            if m := _NUMBER.match(part.split("=")[-1].strip()):
                out[name.strip().split(" (")[0]] = float(m[0])
    return out
