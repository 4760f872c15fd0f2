"""The act `dial`: the reading of a meter's dial, kept beside our own total and compared with it. Both stay as they are.

Pure. May import: config, daemon.core, daemon.measure. What is not in order is refused with the reason.
"""

from __future__ import annotations

from math import isfinite
from typing import Any, Final

from daemon.core.outcome import ManualReading
from daemon.core.say import say
from daemon.core.scan import Act
from daemon.engine.doing import Doing, noted
from daemon.measure import dial
from daemon.measure.counter import Counter

DIAL_FIELDS: Final = ("meter", "value_m3", "written", "at_ms", "ours_m3")
EARLY_MS: Final = 300_000  # clocks of two PCs differ: so much later than now may be meant as now
_MOST_M3: Final = 1e12


def read_dial(doing: Doing, act: Act) -> str:
    """Apply it; "" when done, else why not. `ours_m3`: our total at a time past, as the store has it."""
    meters = doing.p.wiring.meters
    name = act.body.get("meter")
    m = next((m for m in meters if m.name == name), None)
    if m is None:
        known = ", ".join(m.name for m in meters) or "none"
        return f"there is no meter {str(name)[:40]!r} in the plant file; there are {known}"
    c = doing.cells.senses.counters[m.slot]
    value, at_ms = _number(act.body.get("value_m3")), act.body.get("at_ms", doing.group.at_ms)
    if value is None:
        return "a dial wants a reading of 0 or more"
    if isinstance(at_ms, bool) or not isinstance(at_ms, int) or at_ms > doing.group.at_ms + EARLY_MS:
        return "the time of a reading wants to be past, as ms UTC"
    if at_ms < c.dial_ms:
        return "a later reading of this dial stands already"
    ours, system = c.volume(m.spec), doing.p.system
    if "ours_m3" in act.body:
        then = _number(act.body["ours_m3"])
        if then is None or then > ours + 1e-6:
            return "our total at that time wants to be no more than it is now"
        ours = then
    elif c.last < 0:
        return f"{m.name} has not been read yet: there is nothing to compare a dial with"
    unit = "m3 gas" if doing.p.plant.meters[meters.index(m)].measures == "fuel" else "m3"
    said = _compared(c, value, ours, c.now(m.spec).pulse_m3, unit, system)
    beside = f"our total {say(ours, unit, system)}; {said}"
    written = str(act.body.get("written", ""))[:40]
    c.dial_m3, c.dial_ours_m3, c.dial_ms = value, ours, at_ms
    doing.manual.append(
        ManualReading(
            m.name, "dial", at_ms, value, "m3", f"read as {written}, {beside}" if written else beside, act.number
        )
    )
    noted(doing, act, "dial", m.name, f"dial {say(value, unit, system)}, {beside}")
    return ""


def _compared(c: Counter, value: float, ours: float, pulse_m3: float, unit: str, system: Any) -> str:
    if c.dial_ms < 0:
        return "the first reading of this dial: there is none before it to compare with"
    return dial.words(dial.compare(value - c.dial_m3, ours - c.dial_ours_m3, pulse_m3), unit, system)


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        return None
    return float(value) if 0 <= value <= _MOST_M3 else None
