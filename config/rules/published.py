"""Conductivity limits beside published tables by pressure: a table only warns. Imports nothing of ours but `config`."""

from __future__ import annotations

from collections.abc import Iterator

from config.findings import Found, Path
from config.limits import conductivity_limits
from config.model import Boiler
from config.published import published
from config.rules.view import View
from config.units import shown


def beside_tables(v: View) -> Iterator[Found]:
    """A set point, or the limit for high, above what a table gives for the boiler's pressure."""
    for i, b in enumerate(v.plant.boilers):
        if b.conductivity is None or b.conductivity.neutralised:
            continue  # the tables are of unneutralised water: a neutralised reading is not the same quantity
        yield from _boiler(v, ("boiler", i, "conductivity"), b)


def _boiler(v: View, path: Path, b: Boiler) -> Iterator[Found]:
    assert b.conductivity is not None
    system, high = v.plant.plant.units, conductivity_limits(b).high
    for key, value in (("set_point", b.conductivity.set_point), ("high", high)):
        beyond = [p for p in published(b.pressure) if value is not None and value > p.most]
        if value is None or not beyond:
            continue
        tables = "; ".join(f"at most {shown(p.most, 'conductivity', system)} at {p.band} ({p.source})" for p in beyond)
        written = getattr(b.conductivity, key) is not None
        what = f"{key.replace('_', ' ')} {shown(value, 'conductivity', system)}{'' if written else ' (proposed)'}"
        yield Found(
            (*path, key) if written else path,
            f"{what} is above a published table: {tables}. Tables only warn: the boiler maker and the "
            "water specialist say which limit holds",
            "warning",
        )
        return  # the other follows from it


RULES = (beside_tables,)
