"""Which kinds of alarm cannot be judged with what a plant file wires, and what each would want.

The other half of `daemon.engine.alarm_list`: a test holds both together over many plants. Imports nothing of ours but
`config`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from config.model import BlowdownValve, Boiler, Plant

SHORTEST_EVERY_S: Final = 600.0  # between samples nearer than that a sample line does not cool
SEEN_BY: Final = ("command", "open_switch", "shut_switch", "position", "demand")


@dataclass(frozen=True, slots=True)
class Blind:
    """A kind that is never raised for a target: `wants` says what would have to be wired or written."""

    target: str
    kind: str
    wants: str


def not_judged(plant: Plant) -> tuple[Blind, ...]:
    """The kinds about boiler, probe, valve and controller that are not judged, boiler by boiler."""
    return tuple(
        Blind(b.name, kind, wants) for b in plant.boilers for kind, judge in _KINDS if (wants := judge(plant, b))
    )


def _live(plant: Plant, b: Boiler) -> str:
    """What a test of the signal itself wants."""
    if b.conductivity is None:
        return "a conductivity probe"
    if b.sample is None or b.sample.arrangement == "none":
        return "a sample arrangement"
    return "a live signal" if b.conductivity.signal == "held" else ""


def _fouling(plant: Plant, b: Boiler) -> str:
    return "" if b.conductivity else "a conductivity probe, and comparisons with hand samples"


def _step(plant: Plant, b: Boiler) -> str:
    if wants := _live(plant, b):
        return wants
    missing = [key for key in ("water", "steam_max") if not getattr(b, key)]
    return " and ".join(missing)


def _leak(plant: Plant, b: Boiler) -> str:
    return "" if _by_heat(plant, b) or _by_meter(plant, b) else _LEAK_WANTS


_LEAK_WANTS: Final = (
    "a blowdown meter behind valves that are all seen, or a timed sample, ten minutes apart or more, "
    "with a probe_temperature of its own"
)


def _by_heat(plant: Plant, b: Boiler) -> bool:
    v, c = b.blowdown_valve, b.conductivity
    if v is None or c is None or v.command is None or b.probe_temperature is None or b.sample is None:
        return False
    others = [o for o in plant.boilers if o is not b]
    alone = not any(o.blowdown_valve and v.line and o.blowdown_valve.line == v.line for o in others)
    own = not any(o.conductivity and o.conductivity.channel == c.channel for o in others)
    seldom = b.sample.every is None or b.sample.every >= SHORTEST_EVERY_S
    return b.sample.arrangement in ("timed", "hold") and seldom and alone and own


def _by_meter(plant: Plant, b: Boiler) -> bool:
    for m in plant.meters:
        valves = [o.blowdown_valve for o in plant.boilers if o.name in m.serves]
        if m.measures == "blowdown" and b.name in m.serves and all(v is not None and _seen(v) for v in valves):
            return True
    return False


def _seen(v: BlowdownValve | None) -> bool:
    return v is not None and any(getattr(v, key) is not None for key in SEEN_BY)


def _slow(plant: Plant, b: Boiler) -> str:
    return "" if b.blowdown_valve and b.blowdown_valve.command else "the valve's command"


def _switches(plant: Plant, b: Boiler) -> str:
    v = b.blowdown_valve
    return "" if v and v.open_switch and v.shut_switch else "both end switches of the valve"


def _idle(plant: Plant, b: Boiler) -> str:
    wired = (b.blowdown_valve and b.blowdown_valve.command) or b.controller_hand
    return "" if wired else "the valve's command or controller_hand"


def _cycling(plant: Plant, b: Boiler) -> str:
    return "" if b.burner or b.interlock else "burner or interlock"


def _while_off(plant: Plant, b: Boiler) -> str:
    if not _seen(b.blowdown_valve):
        return "a signal of the valve"
    known = b.interlock or b.burner or b.steam_pressure
    return "" if known else "interlock, burner or steam_pressure, to tell when the boiler is off"


def _feedwater(plant: Plant, b: Boiler) -> str:
    return "" if isinstance(b.feedwater_conductivity, str) else "feedwater_conductivity that an [[analogue]] measures"


_KINDS: Final[tuple[tuple[str, Callable[[Plant, Boiler], str]], ...]] = (
    ("probe_value_stuck", _live),
    ("steam_at_probe", _live),
    ("probe_fouling", _fouling),
    ("calibration_step", _step),
    ("valve_leaking", _leak),
    ("valve_slow", _slow),
    ("valve_switch_disagrees", _switches),
    ("controller_idle", _idle),
    ("short_cycling", _cycling),
    ("blowdown_while_off", _while_off),
    ("feedwater_quality_changed", _feedwater),
)
JUDGED_HERE: Final = tuple(kind for kind, _ in _KINDS)
"""The kinds this file speaks of."""


def in_words(found: tuple[Blind, ...], target: str) -> Iterator[str]:
    """What is not judged of a target, kinds that want the same together: "valve slow, controller idle (wants ...)"."""
    by_wants: dict[str, list[str]] = {}
    for x in found:
        if x.target == target:
            by_wants.setdefault(x.wants, []).append(x.kind.replace("_", " "))
    for wants, kinds in by_wants.items():
        yield f"{', '.join(kinds)} (wants {wants})"
