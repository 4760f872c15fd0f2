"""Cycles, blowdown and how the conductivity of boiler water moves: a well-mixed boiler, steam without solids.

Pure. Any one unit of mass flow and of conductivity, the same throughout; fractions are plain numbers (0.05 is 5 %).
"Blowdown percent" has two denominators: of feedwater it is 1/cycles, of steam 1/(cycles - 1).
"""

from __future__ import annotations

import math
from typing import Final

HALVINGS: Final = 60
MOST_CHANGES: Final = 100.0  # of the boiler's water, within the time


def cycles(boiler: float, feedwater: float) -> float:
    """Cycles of concentration."""
    return boiler / feedwater


def blowdown_of_feedwater(n: float) -> float:
    """Blowdown as a fraction of feedwater at `n` cycles."""
    return 1 / n


def blowdown_of_steam(n: float) -> float:
    """Blowdown as a fraction of steam at `n` cycles (more than 1)."""
    return 1 / (n - 1)


def blowdown_flow(steam: float, boiler: float, feedwater: float) -> float:
    """Blowdown that holds the boiler at a conductivity: S F / (B - F)."""
    return steam * feedwater / (boiler - feedwater)


def feedwater_flow(steam: float, of_feedwater: float) -> float:
    """Feedwater for a steam flow when a fraction of the feedwater is blown down."""
    return steam / (1 - of_feedwater)


def makeup_share(feedwater: float, condensate: float, makeup: float) -> float:
    """The share of makeup in feedwater from three conductivities."""
    return (feedwater - condensate) / (makeup - condensate)


def fuel_energy(heat: float, efficiency: float) -> float:
    """Energy in fuel for an amount of heat, at a boiler's efficiency (0 to 1); what blowdown that is hot costs."""
    return heat / efficiency


def after(start: float, feedwater: float, steam: float, blowdown: float, water: float, hours: float) -> float:
    """Conductivity after `hours` of steady flow: M dk/dt = (S + B) kf - B k. Flows per hour, `water` the mass held."""
    if blowdown == 0:
        return start + steam * feedwater / water * hours
    final = (steam + blowdown) * feedwater / blowdown
    return final + (start - final) * math.exp(-blowdown * hours / water)


def blown(start: float, end: float, feedwater: float, steam: float, water: float, hours: float) -> float | None:
    """The steady blowdown (mass an hour) under which conductivity falls from `start` to `end` in `hours`.

    None where no blowdown does: conductivity did not fall below what it would have climbed to without, or fell as far
    as the feedwater's. The inverse of `after`, by halving.
    """
    if hours <= 0 or end <= feedwater or start <= feedwater or end >= after(start, feedwater, steam, 0, water, hours):
        return None
    low, high = 0.0, water / hours
    while after(start, feedwater, steam, high, water, hours) > end:
        low, high = high, 2 * high
        if high > MOST_CHANGES * water / hours:
            return None
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if after(start, feedwater, steam, middle, water, hours) > end:
            low = middle
        else:
            high = middle
    return (low + high) / 2
