"""Conductivity at the temperature of the probe to conductivity at 25 °C.

Pure. A fixed coefficient is good to about 0.5 % for potassium chloride from 20 to 50 °C and reads 10 % high at 0 °C
(tests/reference/conductivity.csv, CO-047, CO-048); at boiler temperature it is only a local truth, so it is a
setting, and the sample is best cooled.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

REFERENCE_C: Final = 25.0
NATURAL_C: Final = (0.0, 35.0)  # ends of the table of natural waters

# k25 = k * f25 for natural waters up to about 1000 uS/cm (ISO 7888:1985, from memory): not for boiler water
_NATURAL: Final = (
    (0.0, 1.918),
    (5.0, 1.643),
    (10.0, 1.428),
    (15.0, 1.256),
    (18.0, 1.168),
    (20.0, 1.116),
    (25.0, 1.000),
    (30.0, 0.903),
    (35.0, 0.822),
)


def to_25(k: float, celsius: float, coefficient: float) -> float:
    """Conductivity at 25 °C, in the unit of `k`, by a linear coefficient in % per °C referred to 25 °C.

    ValueError where the line would have no conductivity left (below -25 °C for 2 %).
    """
    factor = 1 + coefficient / 100 * (celsius - REFERENCE_C)
    if factor <= 0:
        raise ValueError(f"a coefficient of {coefficient:g} % per °C does not reach down to {celsius:g} °C")
    return k / factor


def mean_coefficient(k: float, k25: float, celsius: float) -> float:
    """The linear coefficient (% per °C referred to 25 °C) that takes `k` at a temperature to `k25`."""
    if celsius == REFERENCE_C:
        raise ValueError("a coefficient wants a temperature other than 25 °C")
    return (k / k25 - 1) / (celsius - REFERENCE_C) * 100


def natural_water_factor(celsius: float) -> float:
    """f25 for natural waters, straight between the values of the table; ValueError outside 0 to 35 °C."""
    for (t0, f0), (t1, f1) in pairwise(_NATURAL):
        if t0 <= celsius <= t1:
            return f0 + (celsius - t0) / (t1 - t0) * (f1 - f0)
    raise ValueError(f"the natural-water factors go from 0 to 35 °C; found {celsius:g} °C")
