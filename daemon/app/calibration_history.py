"""`calibrate BOILER --history`: every record of a probe, its drift with its uncertainty, and what falls due.

Pure but for the reader it is given. May import: config, daemon.core, daemon.measure, daemon.store, daemon.app.pairing.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from textwrap import fill
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from config.model import Boiler, Plant
from daemon.core.outcome import Calibration
from daemon.core.say import in_plant_units
from daemon.measure.calibration import in_force, tag_of
from daemon.measure.correction import Factors
from daemon.measure.drift import CLEAN_AT, FEWEST, SHORTEST_D, Drift, drift, live, points

if TYPE_CHECKING:
    from daemon.store.reader import Reader

_HEADS: Final = ("when", "act", "by", "what", "ours", "reference", "off %", "gain")


def history(reader: Reader, plant: Plant, boiler: Boiler, now_ms: int) -> dict[str, Any]:
    """All of it as plain values: times ms UTC, conductivities uS/cm."""
    from daemon.app.pairing import versions_of

    tag = tag_of(boiler.name)
    records = [r for r in reader.calibrations() if r.tag == tag]
    standing = live(records, tag)
    chain = points(standing)
    found = drift(chain, now_ms)
    force = in_force(records, boiler.name, now_ms, versions_of(reader))
    every = boiler.conductivity.calibrate_every if boiler.conductivity else None
    last = next((r.from_ms for r in reversed(standing) if r.body.get("form") in ("handheld", "standard")), None)
    due = None if every is None or last is None else last + round(every * 1000)
    return {
        "boiler": boiler.name,
        "now_ms": now_ms,
        "in_force": {
            "gain": force.gain,
            "zero": force.zero,
            "offset": force.offset,
            "since_ms": force.since_ms,
            "act": force.act,
        },
        "records": [
            {"act": r.act, "from_ms": r.from_ms, "kind": r.kind, "live": r in standing, **r.body} for r in records
        ],
        "since_ms": chain[0].at_ms if chain else None,
        "drift": {
            "points": found.points,
            "percent_a_month": found.per_month,
            "low": found.low,
            "high": found.high,
            "lost_percent": found.lost,
            "lost_low": found.lost_low,
            "lost_high": found.lost_high,
            "cleaning": found.cleaning,
            "cleaning_due_ms": found.due_ms,
        },
        "last_ms": last,
        "every_s": every,
        "due_ms": due,
        "overdue": due is not None and now_ms > due,
    }


def lines(found: dict[str, Any], plant: Plant) -> list[str]:
    """The same for people, at most 100 wide but for the remarks."""
    zone, system = ZoneInfo(plant.plant.zone), plant.plant.units
    unit = in_plant_units(0.0, "uS/cm", system)[1]

    def day(ms: int | None) -> str:
        return "" if ms is None else f"{datetime.fromtimestamp(ms / 1000, zone):%Y-%m-%d}"

    def number(value: object, form: str) -> str:
        return format(value, form) if isinstance(value, int | float) and not isinstance(value, bool) else ""

    force = Factors(**{k: found["in_force"][k] for k in ("gain", "zero", "offset", "since_ms", "act")})
    out = [f"{found['boiler']}: {_force(force, day(force.since_ms))}"]
    rows: list[Sequence[str]] = []
    for r in found["records"]:
        what = f"{r['kind']}: {r.get('form', '')}".rstrip(": ") if r["kind"] != "undone" else f"undid {r['undone']}"
        what += " (new probe)" if r.get("new_probe") and r.get("form") != "new probe" else ""
        what += ", compared only" if r["kind"] == "log" and r.get("corrected") is False else ""
        what += " (cleaned)" if r.get("cleaned") else ""
        what += "" if r["live"] or r["kind"] == "undone" else ", withdrawn"
        ours = r.get("as_found", r.get("reading"))
        compared = r.get("form") in ("handheld", "standard")
        when = f"{datetime.fromtimestamp(r['from_ms'] / 1000, zone):%Y-%m-%d %H:%M}"
        off = number(r.get("error_percent"), "+.1f") if compared else ""
        cells = (when, str(r["act"]), r["by"], what, number(ours, ".0f"), number(r.get("reference"), ".0f"), off)
        rows.append((*cells, number(r["gain"], ".4g")))
    if rows:
        wide = [max(len(h), *(len(r[i]) for r in rows)) for i, h in enumerate(_HEADS)]
        out += ["  ".join(c.ljust(n) for c, n in zip(r, wide, strict=True)).rstrip() for r in (_HEADS, *rows)]
        out.append(f"(ours and reference in {unit} at 25 °C)")
    else:
        out.append("no calibration is recorded")
    out += [fill(s, 100, subsequent_indent="  ") for s in _drift(found, day)]
    out.append(_due(found, day))
    return out


def _force(f: Factors, since: str) -> str:
    if not f.act:
        return "no correction is in force in the log"
    more = (f", zero {f.zero:.4g} uS/cm" if f.zero else "") + (f", offset {f.offset:+.4g} uS/cm" if f.offset else "")
    return f"corrected in the log since {since} by act {f.act}: gain {f.gain:.4g}{more}"


def _drift(found: dict[str, Any], day: Any) -> list[str]:
    d = found["drift"]
    n = d["points"]
    if d["percent_a_month"] is None:
        short = f", within less than {SHORTEST_D} days" if n > 1 else ""
        return [f"drift: not known, {n or 'no'} calibration{'s' if n != 1 else ''} of this probe so far{short}"]
    since = f"from {n} calibrations since {day(found['since_ms'])}"
    if d["low"] is None:
        return [
            f"drift: {d['percent_a_month']:+.1f} % a month {since}; too few for an uncertainty ({FEWEST} are wanted), "
            "and nothing is said about cleaning"
        ]
    out = [f"drift: {d['percent_a_month']:+.1f} % a month (95 %: {d['low']:+.1f} to {d['high']:+.1f}), {since}"]
    lost = f"{d['lost_percent']:.1f} % of sensitivity lost (95 %: {d['lost_low']:.1f} to {d['lost_high']:.1f})"
    text = f"cleaning is {d['cleaning']}: {lost}; cleaning falls due at {CLEAN_AT:g} % (common practice, no source)"
    if d["cleaning"] == "not due" and d["cleaning_due_ms"] and d["cleaning_due_ms"] > found["now_ms"]:
        text += f", by the line about {day(d['cleaning_due_ms'])}"
    return [*out, text]


def _due(found: dict[str, Any], day: Any) -> str:
    if found["every_s"] is None:
        return 'next calibration: no interval in the plant file (calibrate_every = "30 d")'
    if found["due_ms"] is None:
        return "next calibration: due now, none is recorded"
    if found["overdue"]:
        return f"next calibration: OVERDUE since {day(found['due_ms'])}"
    return f"next calibration: due {day(found['due_ms'])}"


__all__ = ["Calibration", "Drift", "history", "lines"]
