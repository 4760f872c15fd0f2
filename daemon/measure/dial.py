"""A meter's dial beside our total: what each moved since the dial was last read, and what a difference is like.

The ratios of the usual slips (a digit of the dial, the pulse's worth, doubled or missed pulses, gallons for litres)
are arithmetic; how near is near, and how little is too little to judge, are common practice, no source. Pure.
May import: config, daemon.core.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from config.units import FT3_M3, GAL_M3, plain
from daemon.core.say import System, say

NEAR: Final = 0.04  # of a ratio
AGREES: Final = 0.03  # the widest error a water meter of the usual class may have (OIML R 49-1, from memory)
TOO_FEW: Final = 20  # pulses, or steps of the dial: less is too little to judge
_LITRES: Final = GAL_M3 * 1000
_FT3: Final = FT3_M3 / GAL_M3

LIKELY: Final[tuple[tuple[float, str], ...]] = (
    (10.0, "the dial moved ten times as far: a pulse worth ten times what the plant file says, or one digit too many"),
    (0.1, "the dial moved a tenth as far: a pulse worth a tenth of what the plant file says, or dial figures in tens"),
    (100.0, "the dial moved a hundred times as far: the pulse's worth, or two digits too many (decimals of the dial)"),
    (0.01, "the dial moved a hundredth as far: the pulse's worth, or dial figures that stand for hundreds"),
    (1000.0, "the dial moved a thousand times as far: litres read as m3, or the pulse's worth"),
    (0.001, "the dial moved a thousandth as far: m3 read as litres, or the pulse's worth"),
    (2.0, "the dial moved twice as far: every other pulse is missed, or a pulse is worth twice as much"),
    (0.5, "the dial moved half as far: each pulse counted twice (a contact that bounces, both its edges counted)"),
    (
        _LITRES,
        "the dial moved 3.785 times as far: litres on the dial taken as gallons, or a pulse in gallons as litres",
    ),
    (
        1 / _LITRES,
        "the dial moved 1/3.785 as far: gallons on the dial taken as litres, or a pulse in litres as gallons",
    ),
    (_FT3, "the dial moved 7.48 times as far: gallons on the dial taken as ft3, or a pulse in ft3 as gallons"),
    (1 / _FT3, "the dial moved 1/7.48 as far: ft3 on the dial taken as gallons, or a pulse in gallons as ft3"),
)


@dataclass(frozen=True, slots=True)
class Compared:
    """What moved since the dial was last read, m3. `ratio` dial to ours, None where it cannot be told."""

    dial_m3: float
    ours_m3: float
    ratio: float | None
    cause: str  # likely, in words; "" when both agree or nothing is likely

    @property
    def agree(self) -> bool:
        return self.ratio is not None and abs(self.ratio - 1) <= AGREES


def compare(dial_m3: float, ours_m3: float, least_m3: float) -> Compared:
    """Compare two movements; `least_m3`: what a pulse is worth, so that little is not judged. Never raises."""
    if dial_m3 < 0:
        return Compared(
            dial_m3, ours_m3, None, "the dial shows less than before: misread, gone round, or another meter"
        )
    if max(dial_m3, ours_m3) < TOO_FEW * least_m3:
        return Compared(dial_m3, ours_m3, None, "too little has passed to compare")
    if ours_m3 <= 0:
        return Compared(dial_m3, ours_m3, None, "the dial moved and no pulse was counted")
    ratio = dial_m3 / ours_m3
    if dial_m3 <= 0:
        return Compared(dial_m3, ours_m3, ratio, "pulses were counted and the dial stood still")
    cause = next((text for near, text in LIKELY if abs(ratio / near - 1) <= NEAR), "")
    return Compared(dial_m3, ours_m3, ratio, cause)


def words(c: Compared, unit: str, system: System) -> str:
    """The comparison in a sentence; `unit` is "m3" or "m3 gas"."""
    moved = f"since the last reading the dial moved {say(c.dial_m3, unit, system)}, ours {say(c.ours_m3, unit, system)}"
    if c.ratio is None:
        return f"{moved}: {c.cause}"
    if c.agree:
        return f"{moved}: they agree within {plain(max(abs(c.ratio - 1) * 100, 0.1))} %"
    difference = f"dial to ours {plain(c.ratio)} ({(c.ratio - 1) * 100:+.3g} %)"
    return f"{moved}: {difference}" + (f". Likely: {c.cause}" if c.cause else "")
