"""Water and chemicals: what cycles, shares and doses are reckoned from, and how each pump is paced.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from config.findings import Found, Path
from config.model import Chemical
from config.rules.view import View

WATERS: Final = ("feedwater_conductivity", "makeup_conductivity", "condensate_conductivity")
CONDENSATE_US_CM: Final = 35.0  # UFC 3-240-13FN (25 May 2005), par. 6-3.6
CHOKED_KPA: Final = 15_800.0  # gauge; the flow through a bore is reckoned up to it
_KEYS: Final[dict[str, tuple[str, ...]]] = {
    "with blow": ("paced_by", "limit"),
    "after blow": ("paced_by", "limit", "share"),
    "share of time": ("share", "cycle"),
    "schedule": ("times", "run"),
    "makeup": ("paced_by", "volume", "run"),
}
"""The keys each way of pacing is judged by."""
_WANTS: Final[dict[str, tuple[str, ...]]] = {
    "share of time": ("share", "cycle"),
    "schedule": ("times", "run"),
    "makeup": ("volume", "run"),
}
"""Those without which it cannot be judged."""


def conductivities(v: View) -> Iterator[Found]:
    """Conductivities of the water that goes in: each an analogue in uS/cm, or a figure."""
    analogues = {a.name: a for a in v.plant.analogues}
    for i, b in enumerate(v.plant.boilers):
        for key in WATERS:
            value, path = getattr(b, key), ("boiler", i, key)
            if isinstance(value, float):
                yield Found(
                    path,
                    f"a figure and not a measurement, {value:g} uS/cm: what is reckoned with it is uncertain",
                    "note",
                )
            elif value is not None and value not in v.names["analogue"]:
                yield Found(path, _none("analogue", value, v.names["analogue"]))
            elif value in analogues and analogues[value].range.kind != "conductivity":
                yield Found(
                    path, f"wants an analogue of conductivity; {value} is in {analogues[value].range.unit or 'no unit'}"
                )
        condensate = analogues.get(str(b.condensate_conductivity))
        if condensate is not None and condensate.high is None:
            yield Found(
                ("boiler", i, "condensate_conductivity"),
                f"{condensate.name} has no high: nobody will be told of condensate that is not clean. Above "
                f"{CONDENSATE_US_CM:g} uS/cm it is worth a hardness test (UFC 3-240-13FN, 6-3.6); what is usual here "
                "the water specialist says",
                "note",
            )
        mixed = b.makeup_conductivity is not None and b.condensate_conductivity is not None
        if b.conductivity is not None and b.feedwater_conductivity is None and not mixed:
            yield Found(
                ("boiler", i),
                f"no feedwater_conductivity: cycles of concentration of {b.name} are not reckoned. Wants the name of "
                "an [[analogue]] or a figure; or makeup_conductivity and condensate_conductivity",
                "note",
            )


def openings(v: View) -> Iterator[Found]:
    """A blow's flow is stated or follows from a bore, one of them."""
    for i, b in enumerate(v.plant.boilers):
        valve, path = b.blowdown_valve, ("boiler", i, "blowdown_valve", "bore")
        if valve is None or valve.bore is None:
            continue
        if valve.opening_flow is not None:
            yield Found(path, "says nothing beside opening_flow; wants one of them")
        elif not 0 < b.pressure <= CHOKED_KPA:
            yield Found(
                path, f"wants a boiler of more than 0 and at most {CHOKED_KPA / 100:g} barg; found {b.pressure / 100:g}"
            )
        else:
            yield Found(
                path,
                "the flow of a blow is worked out from it, as choked flow of saturated water: 9 to 17 % more passes a "
                "long opening, less a scaled one. A measured opening_flow is better",
                "note",
            )


def shares(v: View) -> Iterator[Found]:
    """What is metered for several boilers together, or against no feedwater, is said."""
    fed = [m for m in v.plant.meters if m.measures == "feedwater" and m.serves]
    for i, m in enumerate(v.plant.meters):
        if m.measures == "blowdown" and len(m.serves) > 1:
            yield Found(
                ("meter", i, "serves"),
                f"blowdown of {' and '.join(m.serves)} is metered together: it is told for {m.name} and not divided",
                "note",
            )
        served = sorted(b for f in fed if set(f.serves) <= set(m.serves) for b in f.serves)
        if m.measures in ("makeup", "condensate", "blowdown") and m.serves and served != sorted(m.serves):
            yield Found(
                ("meter", i, "measures"),
                f"the feedwater of {' and '.join(m.serves)} is not metered whole: {m.measures} as a share of it is not "
                "reckoned",
                "note",
            )


def pacing(v: View) -> Iterator[Found]:
    """A pump's keys fit its way of pacing, and are enough to judge it by."""
    for i, c in enumerate(v.plant.chemicals):
        path: Path = ("chemical", i)
        for key in ("paced_by", "limit", "share", "cycle", "times", "run", "volume"):
            if key in c.model_fields_set and key not in _KEYS.get(c.pacing or "", ()):
                ways = " or ".join(f'"{way}"' for way, keys in _KEYS.items() if key in keys)
                found = f'pacing = "{c.pacing}"' if c.pacing else "no pacing"
                yield Found((*path, key), f"belongs to pacing = {ways}; found {found}")
        missing = [k for k in _WANTS.get(c.pacing or "", ()) if not getattr(c, k)]
        if missing:
            yield Found(
                (*path, "pacing"),
                f"{c.pacing}, without {' and '.join(missing)}: whether {c.name} runs as paced is not judged",
                "note",
            )
        yield from _shares(path, c, v.poll_of(c.pump))
        known = v.names["meter"] if c.pacing == "makeup" else v.names["boiler"]
        for k, name in enumerate(c.paced_by):
            if c.pacing in ("with blow", "after blow", "makeup") and name not in known:
                what = "meter" if c.pacing == "makeup" else "boiler"
                yield Found((*path, "paced_by", k), _none(what, name, known))


def _shares(path: Path, c: Chemical, poll: float | None) -> Iterator[Found]:
    if c.share is not None and c.share > 100 and c.pacing == "share of time":
        yield Found((*path, "share"), f"wants 100 % at most; found {c.share:g} %")
    if c.pacing == "share of time" and c.cycle is not None and poll is not None and c.cycle < 4 * poll:
        yield Found(
            (*path, "cycle"),
            f"a cycle of {c.cycle:g} s is not seen by polls every {poll:g} s; wants polls of {c.cycle / 4:g} s or less",
            "warning",
        )


def fed_by(v: View) -> Iterator[Found]:
    """A meter of the chemical, or a speed in %, is one that is written."""
    analogues = {a.name: a for a in v.plant.analogues}
    meters = {m.name: m for m in v.plant.meters}
    for i, c in enumerate(v.plant.chemicals):
        path: Path = ("chemical", i)
        if c.meter is not None:
            if c.meter not in v.names["meter"]:
                yield Found((*path, "meter"), _none("meter", c.meter, v.names["meter"]))
            elif c.meter in meters and meters[c.meter].measures != "other":
                yield Found(
                    (*path, "meter"),
                    f'wants a meter of the chemical itself, with measures = "other"; {c.meter} measures '
                    f"{meters[c.meter].measures}",
                )
        if c.speed is not None:
            if c.speed not in v.names["analogue"]:
                yield Found((*path, "speed"), _none("analogue", c.speed, v.names["analogue"]))
            elif c.speed in analogues and analogues[c.speed].range.kind != "ratio":
                yield Found(
                    (*path, "speed"),
                    f"wants an analogue in %; {c.speed} is in {analogues[c.speed].range.unit or 'no unit'}",
                )
            if c.rate is None:
                yield Found((*path, "speed"), "wants the rate at 100 % beside it: rate")


def _none(what: str, name: str, known: tuple[str, ...]) -> str:
    from config.plainly import meant

    return f'there is no {what} "{name}"{meant(name, known)}; known here: {", ".join(known) or "none"}'


RULES = (conductivities, openings, shares, pacing, fed_by)
