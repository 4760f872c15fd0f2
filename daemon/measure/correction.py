"""From the probe's reading to conductivity at 25 °C as the boiler's: compensation, and the correction in force.

Lives here: `Correction`, each boiler's cell of what was calibrated, and the arithmetic that the engine's loop,
`explain` and tests share. Pure. May import: config, daemon.core, daemon.water.

    at 25 °C    by the transmitter, by k / (1 + a (t - 25)), or by the natural-water factor
    corrected   gain × (k25 - zero) + offset: one-point gain at working concentration, dry-in-air zero, offset with a
                reason; 1, 0 and 0 where nothing was corrected in the log
    solids      factor × corrected, in ppm of a labelled unit
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from config.solids import Compensation, Solids
from daemon.core.cells import Cell, cell
from daemon.core.reasons import Reason
from daemon.water.compensation import NATURAL_C, REFERENCE_C, natural_water_factor, to_25

COLDEST_C: Final = 0.0  # boiler water below it is no temperature but a fault of the signal

Record = tuple[int, int, str, float, float, float, float, bool, float, float, bool]
"""One calibration kept in the cell, see `daemon.measure.calibration.Kept`: (act, UTC ms, how, gain, zero, offset, error
as found in %, new probe, reading and reference of the last pair, cleaned).

`how`: "wall", "log", "set" (zero, offset or new probe: nothing was compared, the error is 0), or "undone" for one that
was withdrawn. The three figures and the pair are what was in force after it.
"""


@cell
class Correction(Cell):
    """What was calibrated at one probe. `act` 0: nothing is corrected in the log.

    `break_ms` and `break_at_ms`: elapsed time and UTC of the last known break, -1 for none: there readings step because
    somebody calibrated, at the wall instrument or in the log, and no trend, drift or fault is to be read from the step.
    """

    gain: float = 1.0
    zero: float = 0.0  # uS/cm
    offset: float = 0.0  # uS/cm
    since_ms: int = 0
    act: int = 0
    pair_probe: float = 0.0  # what the probe said (at 25 °C, not corrected) at the last one-point gain, 0 for none
    pair_reference: float = 0.0
    break_ms: int = -1
    break_at_ms: int = -1
    records: tuple[Record, ...] = ()


@dataclass(frozen=True, slots=True)
class Factors:
    """The correction in force at an instant. `act` 0: none; `since_ms` UTC."""

    gain: float = 1.0
    zero: float = 0.0
    offset: float = 0.0
    since_ms: int = 0
    act: int = 0

    def apply(self, k25: float) -> float:
        """Corrected, uS/cm."""
        return corrected(k25, self.gain, self.zero, self.offset)

    def undo(self, value: float) -> float:
        """What the probe said, compensated and not corrected, uS/cm."""
        return (value - self.offset) / self.gain + self.zero


NONE: Final = Factors()


def factors(c: Correction) -> Factors:
    """The correction in force in a cell."""
    return Factors(c.gain, c.zero, c.offset, c.since_ms, c.act)


def corrected(k25: float, gain: float, zero: float, offset: float) -> float:
    """gain × (k25 - zero) + offset."""
    return gain * (k25 - zero) + offset


def at_25(k: float, rule: Compensation, celsius: float | None, is_corrected: bool) -> tuple[float | None, int]:
    """A probe's reading at 25 °C and the reason to doubt it, 0 for none; no value where it cannot be had.

    `celsius`: the probe's temperature, None where it is not known; `is_corrected`: a correction made in place is in
    force, which holds for the temperature it was made at where nobody compensates.
    """
    if rule.how == "transmitter":
        return k, 0
    if rule.how == "none":
        return k, 0 if is_corrected else int(Reason.NOT_AT_25)
    if celsius is None or celsius <= COLDEST_C:
        return None, int(Reason.NOT_COMPENSATED)
    if rule.how == "linear":
        if 1 + rule.coefficient / 100 * (celsius - REFERENCE_C) <= 0:
            return None, int(Reason.NOT_COMPENSATED)
        k25 = to_25(k, celsius, rule.coefficient)
    else:
        if celsius > NATURAL_C[1]:
            return None, int(Reason.COMPENSATION_ENDS)
        k25 = k * natural_water_factor(celsius)
    trusted = rule.low_c <= celsius <= rule.high_c and k25 <= rule.highest
    return k25, 0 if trusted else int(Reason.COMPENSATION_STRETCHED)


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the derivation: what it is, the formula with its figures, the value it gives, where it comes from."""

    what: str
    formula: str
    value: float | None
    unit: str
    reason: int
    source: str


def steps(
    k: float, rule: Compensation, celsius: float | None, force: Factors = NONE, solids: Solids | None = None
) -> tuple[Step, ...]:
    """The way from a probe's reading `k` (uS/cm, as the loop gives it) to conductivity and dissolved solids.

    `force`: the correction in force at that instant (`in_force` of `daemon.measure.calibration`).
    """
    k25, why = at_25(k, rule, celsius, force.act > 0)
    out = [_compensation(k, rule, celsius, k25, why)]
    if k25 is None:
        return tuple(out)
    if force.act:
        value = force.apply(k25)
        formula = f"{force.gain:.5g} × ({k25:.6g} - {force.zero:.4g}) + {force.offset:.4g} = {value:.6g}"
        out.append(Step("correction in the log", formula, value, "uS/cm", 0, f"calibration record of act {force.act}"))
    else:
        value = k25
        out.append(Step("correction in the log", "none in force", value, "uS/cm", 0, ""))
    if solids is not None:
        ppm = value * solids.factor
        formula = f"{solids.factor:.4g} × {value:.6g} = {ppm:.6g}"
        out.append(Step("dissolved solids", formula, ppm, solids.unit, 0, solids.source))
    return tuple(out)


def _compensation(k: float, rule: Compensation, celsius: float | None, k25: float | None, why: int) -> Step:
    what = "compensation to 25 °C"
    if rule.how == "transmitter":
        return Step(what, "none here: the transmitter does it", k25, "uS/cm", why, "plant file")
    if rule.how == "none":
        formula = "none: the reading is at the temperature of the probe"
        return Step(what, formula, k25, "uS/cm", why, "plant file")
    at = "not known" if celsius is None else f"{celsius:.4g} °C"
    if k25 is None:
        return Step(what, f"not possible: the probe's temperature is {at}", None, "uS/cm", why, "plant file")
    assert celsius is not None
    if rule.how == "linear":
        a = rule.coefficient
        formula = f"{k:.6g} / (1 + {a:g} % × ({celsius:.4g} - 25)) = {k25:.6g}"
        source = f"coefficient of the plant file, trusted from {rule.low_c:g} to {rule.high_c:g} °C"
    else:
        formula = f"{k:.6g} × {natural_water_factor(celsius):.4g} (f25 at {celsius:.4g} °C) = {k25:.6g}"
        source = f"natural-water factors of ISO 7888 (from memory), trusted up to {rule.highest:g} uS/cm"
    return Step(what, formula, k25, "uS/cm", why, source)
