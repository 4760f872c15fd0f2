"""How much boiler water passes an opening: choked flow of saturated water.

Pure. Boiler water stands at its boiling point, so that it flashes in the opening and chokes; sizing for cold liquid
(Cv, Kv) is only indicative there (tests/reference/flow.csv, FL-006). The flow is that of a short nozzle in which
water and steam stay in equilibrium, the lower of the two published bounds; a long tube passes 9 to 17 % more (FL-012,
FL-015, FL-018, FL-021). A sharp edge, scale and what stands downstream are not in it: a measured flow goes before.
"""

from __future__ import annotations

import math
from typing import Final

from config.units import ATMOSPHERE_KPA

LOWEST_RATIO: Final = 0.3  # of stagnation pressure: the throat of saturated water lies above 0.85
STEPS: Final = 60
_GOLDEN: Final = (math.sqrt(5) - 1) / 2


def choked_flux(gauge_kpa: float, atmosphere_kpa: float = ATMOSPHERE_KPA) -> float:
    """Mass flux in kg/(m2 s) of saturated water from a boiler at a gauge pressure in kPa, through a nozzle.

    Isentropic to equilibrium at the throat; the throat's pressure is the one at which most passes. ValueError where the
    water is not above atmospheric pressure or beyond 16 MPa absolute.
    """
    import seuif97

    p0 = (gauge_kpa + atmosphere_kpa) / 1000
    if not atmosphere_kpa / 1000 < p0 <= 16:
        raise ValueError(f"choked flow wants 0 to 158 barg; found {gauge_kpa / 100:g} barg")
    h0, s0 = float(seuif97.px2h(p0, 0.0)), float(seuif97.px2s(p0, 0.0))

    def flux(p: float) -> float:
        dryness = float(seuif97.ps2x(p, s0))
        h, v = float(seuif97.px2h(p, dryness)), float(seuif97.px2v(p, dryness))
        return math.sqrt(max(0.0, 2000 * (h0 - h))) / v

    low, high = LOWEST_RATIO * p0, p0
    for _ in range(STEPS):  # golden section: the flux has one top
        a, b = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        low, high = (a, high) if flux(a) < flux(b) else (low, b)
    return flux((low + high) / 2)


def nozzle_kg_h(gauge_kpa: float, bore_m: float, atmosphere_kpa: float = ATMOSPHERE_KPA) -> float:
    """kg/h of saturated boiler water through a round bore in m, discharge coefficient 1."""
    return choked_flux(gauge_kpa, atmosphere_kpa) * math.pi / 4 * bore_m**2 * 3600
