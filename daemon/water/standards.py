"""Standard solutions of potassium chloride and their conductivity by temperature.

Pure. Values in uS/cm by molality (mol/kg), the water's own conductivity taken off: CRC Handbook of Chemistry and
Physics, "Standard KCl solutions for calibrating conductivity cells" (tests/reference/conductivity.csv, CO-001 to
CO-025), within 0.03 to 0.04 %. Between its temperatures a cubic through the four nearest is good to 0.05 %. A bottle
is known by the value printed for 25 °C; four common labels of "0.01" differ by 0.3 % (CO-067), so the printed value
counts and the table gives the shape.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

TABLES: Final[Mapping[float, Mapping[float, float]]] = {
    0.01: {
        0: 772.92,
        10: 1013.95,
        18: 1219.93,
        20: 1273.03,
        25: 1408.23,
        35: 1687.79,
        40: 1831.27,
        50: 2123.43,
    },
    0.1: {
        0: 7116.85,
        5: 8183.7,
        15: 10437.1,
        18: 11140.6,
        25: 12824.6,
        30: 14059.2,
        40: 16591,
        45: 17880.6,
        50: 19180.9,
    },
    1.0: {
        0: 63488,
        5: 72030,
        10: 80844,
        20: 99170,
        25: 108620,
        35: 127970,
        40: 137810,
        45: 147720,
    },
}
"""mol/kg to °C to uS/cm."""

LOWEST_C: Final = 0.0
HIGHEST_C: Final = 50.0

REMARK: Final = (
    "a bench check near 25 °C proves the cell and the electronics; it does not prove a hot probe that nobody "
    "compensates: that is proven in place, against a cooled sample"
)


def kcl(molality: float, celsius: float) -> float:
    """Conductivity in uS/cm of a solution of the tables at a temperature; ValueError outside their temperatures."""
    table = TABLES[molality]
    if not min(table) <= celsius <= max(table):
        raise ValueError(
            f"the table of {molality:g} mol/kg goes from {min(table):g} to {max(table):g} °C; found {celsius:g} °C"
        )
    near = sorted(sorted(table, key=lambda t: abs(t - celsius))[:4])
    total = 0.0
    for a in near:
        part = table[a]
        for b in near:
            if b != a:
                part *= (celsius - b) / (a - b)
        total += part
    return total


def bottle(at_25: float, celsius: float) -> float:
    """Conductivity at a temperature of a bottle labelled `at_25` uS/cm: the shape of the nearest table, scaled.

    ValueError outside the table's temperatures, and for a label no table is near (within a factor of 3).
    """
    molality = min(TABLES, key=lambda m: max(at_25 / TABLES[m][25], TABLES[m][25] / at_25) if at_25 > 0 else m)
    label = TABLES[molality][25]
    if not label / 3 <= at_25 <= label * 3:
        known = ", ".join(f"{t[25]:g}" for t in TABLES.values())
        raise ValueError(
            f"no table is near a standard of {at_25:g} uS/cm; there are tables near {known} uS/cm at 25 °C"
        )
    return at_25 * kcl(molality, celsius) / label
