"""Meters: what a pulse is worth, from when on, and what the counter can show.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from config.findings import Found, Path
from config.meter import KFACTOR_EXAMPLE, Meter, instant
from config.rules.view import View
from config.units import shown

_BITS: Final = {"u16": 16, "u32": 32, "u64": 64}
_LONG_GAP: Final = 86400.0  # s
_HOTTEST: Final = 370.0  # °C; water is liquid up to 374 (IAPWS-IF97)
_USUALLY_HOT: Final = ("feedwater", "condensate", "blowdown")


def worth(v: View) -> Iterator[Found]:
    """A pulse is worth something, by its volume or by a K-factor, and flow can be told from none."""
    for i, m in enumerate(v.plant.meters):
        path: Path = ("meter", i)
        if m.pulse is None and m.k_factor is None:
            yield Found(
                (*path, "pulse"),
                f'missing; wants what a pulse is worth, like "100 L", or k_factor, like "{KFACTOR_EXAMPLE}"',
            )
        elif m.pulse is not None and m.k_factor is not None:
            yield Found((*path, "k_factor"), "pulse says what a pulse is worth already; wants one of the two")
        if m.minimum_flow is not None and m.minimum_flow >= m.max_rate:
            system = v.plant.plant.units
            yield Found(
                (*path, "minimum_flow"),
                f"wants less than max_rate ({shown(m.max_rate, 'volume flow', system)}); "
                f"found {shown(m.minimum_flow, 'volume flow', system)}",
            )
        yield from _temperature(path, m)
        yield from _changes(path, m)


def _temperature(path: Path, m: Meter) -> Iterator[Found]:
    if m.temperature is None:
        if m.measures in _USUALLY_HOT:
            yield Found(
                path,
                f"no temperature: the mass that passes {m.name} is reckoned as cold water, which is 4 % too much for "
                'water of 100 °C. Write temperature = "..." as it is in the meter',
                "note",
            )
    elif not 0 <= m.temperature <= _HOTTEST:
        yield Found(
            (*path, "temperature"), f"wants 0 to {_HOTTEST:g} °C, where water is liquid; found {m.temperature:.4g} °C"
        )


def _changes(path: Path, m: Meter) -> Iterator[Found]:
    for k, c in enumerate(m.changes):
        here = (*path, "changes", k)
        if c.pulse is not None and c.k_factor is not None:
            yield Found((*here, "k_factor"), "pulse says what a pulse is worth already; wants one of the two")
        if c.pulse is None and c.k_factor is None and c.divider is None and c.dial is None:
            yield Found(here, "changes nothing; wants pulse, k_factor, divider or dial beside from")
    for k, (a, b) in enumerate(pairwise(m.changes)):
        if instant(a.from_) >= instant(b.from_):
            yield Found(
                (*path, "changes", k + 1, "from"), f'wants a time after that of the change before it, "{a.from_}"'
            )


def counters(v: View) -> Iterator[Found]:
    """A counter does not go round between two polls, nor in a gap of a day."""
    for i, m in enumerate(v.plant.meters):
        w = v.wired.get(m.channel)
        if w is None or w.channel.type not in _BITS or (m.pulse is None and m.k_factor is None):
            continue
        around = rollover_s(_BITS[w.channel.type], m.counted, m.max_rate)
        if around < 2 * w.module.every:
            yield Found(
                ("meter", i, "max_rate"),
                f"at this rate the counter goes round in {around:.3g} s, with polls every {w.module.every:g} s it "
                "cannot be followed; wants shorter polls or a larger pulse",
            )
        elif around < _LONG_GAP:
            yield Found(
                ("meter", i, "channel"),
                f"at max_rate the counter goes round in {around / 3600:.3g} h: after a longer gap what was metered is "
                "not known",
                "note",
            )


def rollover_s(bits: int, pulse_m3: float, rate_m3_h: float) -> float:
    """Seconds in which a counter of `bits` goes round once at a rate."""
    return 2.0**bits * pulse_m3 / rate_m3_h * 3600


RULES = (worth, counters)
