"""Published limits of boiler-water conductivity by pressure: to compare with, never to judge by.

Which limit governs is for the boiler maker and the site's water-treatment specialist to say; a table by pressure knows
neither the boiler nor the water. Nothing here is a default of anything: `config.rules.published` warns where a plant
file goes beyond a table, and names it. Pure. Imports nothing of ours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

PSI_KPA: Final = 6.894757293168


@dataclass(frozen=True, slots=True)
class Published:
    """The most a table gives for boiler water at 25 °C up to a gauge pressure, uS/cm, and where it stands."""

    up_to_kpa: float
    most: float
    band: str
    source: str


_ASME: Final = (
    "ASME Consensus on Operating Practices for the Control of Feedwater and Boiler Water Chemistry in Modern "
    "Industrial Boilers, water-tube boilers with superheater or steam-purity need, unneutralised"
)
_EN: Final = "EN 12953-10:2003 table 5-2, shell boilers on softened makeup (from memory)"

WATER_TUBE: Final[tuple[Published, ...]] = tuple(
    Published(top * PSI_KPA, most, f"{bottom} to {top} psig", _ASME)
    for bottom, top, most in (
        (0, 300, 5400.0),
        (301, 450, 4600.0),
        (451, 600, 3800.0),
        (601, 750, 1500.0),
        (751, 900, 1200.0),
        (901, 1000, 1000.0),
        (1001, 1500, 150.0),
        (1501, 2000, 80.0),
    )
)
"""The upper ends of the ranges printed: each runs with the purity of steam that is asked for."""
SHELL: Final[tuple[Published, ...]] = (Published(2000.0, 6000.0, "0.5 to 20 bar", _EN),)


def published(pressure_kpa: float) -> tuple[Published, ...]:
    """What the tables give for a boiler of this gauge pressure, the lowest first; none beyond their ends."""
    found = [next((p for p in table if pressure_kpa <= p.up_to_kpa), None) for table in (WATER_TUBE, SHELL)]
    return tuple(sorted((p for p in found if p is not None), key=lambda p: p.most))
