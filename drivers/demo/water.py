"""Water and steam as the demo plant needs them, and its unit factors.

Pure. Own approximations on purpose: the demo must not lean on the code it is there to exercise. They hold to about
1 % between 100 and 190 °C, which is far inside what the demo needs.
"""

from __future__ import annotations

from math import cos, exp, log10, pi, sin
from typing import Final

PSI: Final = 6.894757  # kPa
LB: Final = 0.45359237  # kg
GAL: Final = 0.003785411784  # m3
FT3: Final = 0.028316846592  # m3
ATMOSPHERE: Final = 101.325  # kPa
CP: Final = 4.3  # kJ/(kg K), water near 150 °C

# Antoine's equation for water, 99..374 °C, mmHg: constants as commonly tabulated (memory, no source)
_A: Final = 8.14019
_B: Final = 1810.94
_C: Final = 244.485
_MMHG: Final = 0.133322  # kPa
_LN10: Final = 2.302585092994046


def gauge_pressure(temp_c: float) -> float:
    """Saturation pressure in kPa gauge at a temperature in °C; 0 below boiling."""
    return max(0.0, _MMHG * exp(_LN10 * (_A - _B / (_C + temp_c))) - ATMOSPHERE)


def boiling_temp(gauge_kpa: float) -> float:
    """Saturation temperature in °C at a pressure in kPa gauge: the inverse of `gauge_pressure`."""
    return _B / (_A - log10((gauge_kpa + ATMOSPHERE) / _MMHG)) - _C


def latent_heat(temp_c: float) -> float:
    """Heat of evaporation in kJ/kg."""
    return 2500.0 - 2.62 * temp_c


def density(temp_c: float) -> float:
    """Density of liquid water in kg/m3."""
    return 1001.0 - 0.08 * temp_c - 0.0034 * temp_c * temp_c


def lying_level(share: float) -> float:
    """How high a lying cylinder stands, as a share of its diameter, when a share of its volume is filled.

    Found by halving on the area of the circle's segment, reckoned by its angle.
    """
    low, high = 0.0, pi  # half the angle that the surface spans at the axis
    for _ in range(30):
        angle = (low + high) / 2
        if angle - sin(angle) * cos(angle) < min(max(share, 0.0), 1.0) * pi:
            low = angle
        else:
            high = angle
    return (1 - cos((low + high) / 2)) / 2
