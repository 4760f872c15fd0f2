"""Set points and limits: their order, whether the loop can show them, and what is proposed.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from config.findings import Found, Path
from config.kinds import WATCHED
from config.limits import Limits, analogue_limits, conductivity_limits
from config.model import ConductivityInput, Watched
from config.rules.view import View
from config.units import System, plain, shown

_LONGEST_AVERAGE = 86400.0


def conductivity(v: View) -> Iterator[Found]:
    """low < set point - differential, set point < high < very high, all within the range of the probe."""
    system = v.plant.plant.units
    for i, b in enumerate(v.plant.boilers):
        path: Path = ("boiler", i, "conductivity")
        if b.conductivity is None:
            yield Found(
                ("boiler", i),
                f"no conductivity is wired: nobody will be told of the boiler water of {b.name}",
                "warning",
            )
            continue
        limits = conductivity_limits(b)
        yield from _written(path, b.name, b.conductivity, limits, system)
        yield from _order(path, b.conductivity, limits, system)
        yield from _reach(path, b.conductivity, limits, system)


def _written(path: Path, name: str, c: ConductivityInput, limits: Limits, system: System) -> Iterator[Found]:
    if c.set_point is None:
        missing = [key.replace("_", " ") for key in ("very_high", "high", "low") if getattr(limits, key) is None]
        if len(missing) == 3:
            text = f"no set point: there are no conductivity limits, and nobody will be told when {name} is high or low"
        elif missing:
            text = f"no set point: nobody will be told of conductivity {' or '.join(missing)} on {name}"
        else:
            text = ""
        if text:
            example = shown(3000, "conductivity", system)
            yield Found(path, f'{text}. Write set_point = "{example}" as the water specialist gives it', "warning")
        if c.differential is not None:
            yield Found((*path, "differential"), "says nothing without a set_point; wants both, or none")
    elif c.set_point <= 0:
        yield Found((*path, "set_point"), "wants more than 0; found 0")
    elif limits.proposed:
        said = ", ".join(
            f"{key.replace('_', ' ')} {shown(getattr(limits, key), 'conductivity', system)}" for key in limits.proposed
        )
        yield Found(
            path,
            f"limits proposed for {name} from its set point: {said} (common practice, no source). Confirm them with "
            "the water specialist and write them down",
            "note",
        )


def _order(path: Path, c: ConductivityInput, limits: Limits, system: System) -> Iterator[Found]:
    if c.set_point and c.differential is not None and c.differential >= c.set_point:
        yield Found(
            (*path, "differential"),
            f"wants less than the set point {_say(c.set_point, system)}; found {_say(c.differential, system)}",
        )
    rungs = [
        (key, value)
        for key, value in (
            ("low", c.low),
            ("set_point", c.set_point),
            ("high", limits.high),
            ("very_high", limits.very_high),
        )
        if value is not None
    ]
    for (below, a), (above, z) in pairwise(rungs):
        if a >= z:
            key = above if getattr(c, above) is not None else below
            yield Found(
                (*path, key),
                f"wants low < set_point < high < very_high; found {below} {_say(a, system)}, {above} {_say(z, system)}",
            )
    if c.low is not None and c.set_point and c.differential and c.set_point > c.low >= c.set_point - c.differential:
        yield Found(
            (*path, "low"),
            f"{_say(c.low, system)} is within the differential: every blow ends at "
            f"{_say(c.set_point - c.differential, system)} and will be told as low",
            "warning",
        )


def _reach(path: Path, c: ConductivityInput, limits: Limits, system: System) -> Iterator[Found]:
    if c.range.kind != "conductivity":
        return
    bottom, top = sorted((c.range.low, c.range.high))
    if c.set_point is not None and not bottom < c.set_point < top:
        yield Found(
            (*path, "set_point"),
            f"{_say(c.set_point, system)} is not within the range {_say(bottom, system)} to {_say(top, system)}: the "
            "loop cannot show it; check range and set point at both ends of the loop",
        )
        return
    if limits.very_high is not None and limits.very_high >= top:
        yield Found(
            (*path, "range" if c.very_high is None else "very_high"),
            f"very high ({_say(limits.very_high, system)}) is never seen as a number: the range ends at "
            f'{_say(top, system)}. A reading resting there is told as very high, "at least {_say(top, system)}"',
            "warning",
        )
    if limits.high is not None and limits.high >= top:
        yield Found(
            (*path, "range" if c.high is None else "high"),
            f"high ({_say(limits.high, system)}) can never be seen: the range ends at {_say(top, system)}",
            "warning",
        )
    if limits.low is not None and limits.low <= bottom:
        yield Found(
            (*path, "range" if c.low is None else "low"),
            f"low ({_say(limits.low, system)}) can never be seen: the range begins at {_say(bottom, system)}",
            "warning",
        )


def _say(value: float, system: System) -> str:
    return shown(value, "conductivity", system)


def analogues(v: View) -> Iterator[Found]:
    """Limits of other signals: low < high, within the range, and a deadband narrower than the gap."""
    watched: list[tuple[Path, str, Watched]] = [(("analogue", i), a.name, a) for i, a in enumerate(v.plant.analogues)]
    for i, b in enumerate(v.plant.boilers):
        for key in WATCHED:
            if (x := getattr(b, key)) is not None:
                watched.append((("boiler", i, key), f"{b.name}.{key}", x))
    for path, name, a in watched:
        limits = analogue_limits(a, v.plant.plant.altitude)
        bottom, top = sorted((a.range.low, a.range.high))
        unit = f" {a.range.unit}".rstrip()
        if a.high is not None and a.low is not None and a.low >= a.high:
            yield Found((*path, "low"), f"wants less than high ({plain(a.high)}{unit}); found {plain(a.low)}{unit}")
        if a.deadband < 0:
            yield Found((*path, "deadband"), f"wants 0 or more; found {a.deadband:g}")
        for key, base, written in (("high", limits.high, a.high), ("low", limits.low, a.low)):
            if base is not None and written is not None and not bottom < base < top:
                yield Found(
                    (*path, key), f"{plain(written)}{unit} is not within the range: it can never be seen", "warning"
                )
        if a.rate_over > _LONGEST_AVERAGE:
            yield Found((*path, "rate_over"), f"wants a day at most; found {a.rate_over / 3600:g} h")
        if a.rate is None and "rate_over" in a.model_fields_set:
            yield Found((*path, "rate_over"), "says nothing without rate", "note")
        if path[0] == "analogue" and a.high is None and a.low is None and a.rate is None:
            yield Found(path, f"no limits: {name} is recorded and never told", "note")


RULES = (conductivity, analogues)
