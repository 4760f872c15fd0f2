"""Compensation and dissolved solids: who brings a reading to 25 °C, over which range it is trusted, whose factor it is.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from config.findings import Found, Path
from config.model import Boiler, ConductivityInput
from config.rules.view import View
from config.solids import Compensation, compensation_of, sample_word, solids_of
from config.units import System, shown

_USUAL: Final = {"neutralised": "0.7 to 0.9", "unneutralised": "0.5 to 0.65"}  # ppm per uS/cm (common practice)
_BY_WORDS: Final = {"linear": "the linear coefficient", "natural water": "the natural-water curve"}


def compensation(v: View) -> Iterator[Found]:
    """One who compensates, with what he needs, and the range in which it is trusted."""
    system = v.plant.plant.units
    for i, b in enumerate(v.plant.boilers):
        c, path = b.conductivity, ("boiler", i, "conductivity")
        if c is None:
            continue
        yield from _said_once(path, c)
        made = compensation_of(b)
        if c.compensation in ("linear", "natural water") and b.probe_temperature is None:
            yield Found(
                (*path, "compensation"),
                f'"{c.compensation}" wants the temperature of the probe: probe_temperature = {{ channel = ..., range = '
                "... }",
            )
        elif made.how == "none":
            yield Found(
                (*path, "compensated"),
                "false, and no probe_temperature is wired: readings are at the temperature of the probe, not at 25 °C, "
                "and uncertain until they are corrected by a cooled sample (`waterside calibrate`)",
                "warning",
            )
        elif made.here:
            yield from _trust(path, c, made, system)
        if c.compensation_trusted is not None and not made.here:
            yield Found(
                (*path, "compensation_trusted"),
                "says nothing here: the range of trust goes with compensation = linear or natural water",
                "note",
            )


def _said_once(path: Path, c: ConductivityInput) -> Iterator[Found]:
    said_twice = c.compensation is not None and "compensated" in c.model_fields_set
    if said_twice and c.compensated != (c.compensation == "transmitter"):
        yield Found(
            (*path, "compensated"),
            f'{str(c.compensated).lower()} is not compensation = "{c.compensation}"; wants one of the two keys',
        )
    if "coefficient" in c.model_fields_set and c.compensation not in (None, "linear"):
        yield Found((*path, "coefficient"), f'is not used with compensation = "{c.compensation}"; take it out', "note")


def _trust(path: Path, c: ConductivityInput, made: Compensation, system: System) -> Iterator[Found]:
    low, high = (shown(t, "temperature", system) for t in (made.low_c, made.high_c))
    own = c.compensation_trusted is not None
    if made.how == "natural water":
        at_most = shown(made.highest, "conductivity", system)
        text = (
            f"the natural-water curve is trusted from {low} to {high} and up to {at_most} (scope of ISO 7888, from "
            "memory): it was not made for boiler water. Beyond, readings are uncertain; where the curve ends (0 and 35 "
            "°C) there is none"
        )
        yield Found((*path, "compensation"), text, "warning")
        if own and (made.low_c < 0 or made.high_c > 35):
            yield Found(
                (*path, "compensation_trusted"), f"wants temperatures of the curve, 0 to 35 °C; found {low} to {high}"
            )
        return
    since = "as written" if own else "2 % per °C is within 3 % for potassium chloride there"
    text = f"{c.coefficient:g} % per °C is trusted from {low} to {high} ({since}); beyond, readings are uncertain"
    if not own:
        text += (
            ". Where the coefficient was proven against cooled samples at the probe's temperature, write that range: "
            'compensation_trusted = "150..190 °C"'
        )
    yield Found((*path, "coefficient"), text, "note")


def dissolved_solids(v: View) -> Iterator[Found]:
    """A factor has one source; what was neutralised is not mixed with what was not."""
    for i, b in enumerate(v.plant.boilers):
        d, path = b.dissolved_solids, ("boiler", i, "dissolved_solids")
        if d is None:
            continue
        if b.conductivity is None:
            yield Found(path, "wants conductivity to reckon from; none is wired")
            continue
        if d.factor is not None and d.laboratory is not None:
            yield Found((*path, "factor"), "stands beside a laboratory pair; wants one of the two")
        if d.laboratory is not None and d.date is None:
            yield Found((*path, "laboratory"), 'wants the day of the sample beside it, like date = "2026-10-14"')
        if d.neutralised is not None and d.neutralised != b.conductivity.neutralised:
            ours, found = sample_word(b), "neutralised" if d.neutralised else "unneutralised"
            yield Found(
                (*path, "neutralised"),
                f"the conductivity of {b.name} stands for {ours} water, this factor for {found}: the two are never "
                "mixed. Wants a factor of the same kind of sample, or conductivity.neutralised as the probe is set",
            )
        yield from _source((*path,), b)


def _source(path: Path, b: Boiler) -> Iterator[Found]:
    s, word = solids_of(b), sample_word(b)
    if s is None:
        return
    yield Found(
        path,
        f"{b.name} dissolved solids are {s.factor:.3g} × conductivity ({s.source}), labelled {s.unit}. Usual for "
        f"{word} boiler water: {_USUAL[word]} (common practice, no source)",
        "note",
    )


def calibrated_at(v: View) -> Iterator[Found]:
    """Where the signal is calibrated: a correction in the log beside one at the wall would count twice."""
    for i, b in enumerate(v.plant.boilers):
        if b.conductivity is not None and b.conductivity.calibrated_at is None:
            yield Found(
                ("boiler", i, "conductivity"),
                'it is not said where it is calibrated; taken as calibrated_at = "wall instrument". A raw transmitter, '
                'that nobody adjusts, is "log": `waterside calibrate` then corrects readings here',
                "note",
            )


RULES = (compensation, calibrated_at, dissolved_solids)
