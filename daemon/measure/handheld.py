"""A handheld's value of a grab sample, as conductivity at 25 °C that may be compared with ours; or why it may not.

Pure. May import: config, daemon.core, daemon.water. A refusal is a sentence with the reason and the next step.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from config import units
from daemon.water.compensation import to_25

TOLERANCE: Final = 2.0  # %: handhelds agree within 2 to 5 % (common practice, no source)
BARE_C: Final = 1.0  # a meter that does not compensate is right at 25 °C, this near
LINEAR_C: Final = (10.0, 50.0)  # where 2 % per °C is within 3 % for potassium chloride
PPM: Final = ("ppm", "mg/L")


class HandheldRefused(ValueError):
    """The value may not be compared; the text says why."""


@dataclass(frozen=True, slots=True)
class Grab:
    """One grab sample read on a handheld. None: not said."""

    value: float
    unit: str = "uS/cm"
    factor: float | None = None  # ppm per uS/cm the meter reckons with
    cooled: bool | None = None
    compensated: bool | None = None
    celsius: float | None = None  # of the sample while it was read
    neutralised: bool | None = None
    tolerance: float = TOLERANCE  # %


def at_25(grab: Grab, *, neutralised: bool, flashed: float | None = None, coefficient: float = 2.0) -> float:
    """uS/cm at 25 °C. HandheldRefused when it may not stand beside a reading of `neutralised` or other water.

    `flashed`: the share by mass of the boiler's water that flashes at its pressure, for the refusal; `coefficient`:
    % per °C for a meter that does not compensate.
    """
    if grab.cooled is None or grab.compensated is None or grab.neutralised is None:
        raise HandheldRefused("it wants to be said whether the grab was cooled, compensated and neutralised")
    if not grab.cooled:
        much = "up to about 20 %"
        if flashed:
            much = f"about {flashed / (1 - flashed) * 100:.0f} % ({flashed * 100:.0f} % of it flashes at this pressure)"
        raise HandheldRefused(
            f"the grab was not cooled: hot water flashes as it leaves the line, what is left reads {much} too high. "
            "Take it through a sample cooler, its cooling water running first, with face shield and gloves"
        )
    if grab.neutralised != neutralised:
        words = {True: "neutralised", False: "unneutralised"}
        raise HandheldRefused(
            f"the grab was {words[grab.neutralised]}, our reading is of {words[neutralised]} water: up to twice apart, "
            "never mixed. Read a sample of the same kind, or say conductivity.neutralised in the plant file as the "
            "probe is set"
        )
    k = _as_read(grab)
    if not k > 0:
        raise HandheldRefused(f"wants a value above 0; found {grab.value:g} {grab.unit}")
    if grab.compensated:
        return k
    if grab.celsius is None:
        raise HandheldRefused(
            "the meter does not compensate: the temperature of the sample while it was read is wanted too "
            '(--temperature "31 °C")'
        )
    if abs(grab.celsius - 25) <= BARE_C:
        return k
    if not LINEAR_C[0] <= grab.celsius <= LINEAR_C[1]:
        raise HandheldRefused(
            f"the sample was read at {grab.celsius:g} °C without compensation: {coefficient:g} % per °C is trusted "
            f"from {LINEAR_C[0]:g} to {LINEAR_C[1]:g} °C. Cool it nearer to 25 °C"
        )
    return to_25(k, grab.celsius, coefficient)


def _as_read(grab: Grab) -> float:
    if grab.unit in PPM:
        if not grab.factor or not 0 < grab.factor <= 2:
            raise HandheldRefused(
                f"{grab.unit} wants the meter's own factor in ppm per uS/cm (--meter-factor 0.7): its makers differ"
            )
        return grab.value / grab.factor
    try:
        return grab.value * units.unit_of(grab.unit, "conductivity").factor
    except units.QuantityError as e:
        raise HandheldRefused(f"{e}, or ppm") from e
