"""The act `calibrate`: two acts of a technician that are never confused, and the withdrawal of either.

"wall": calibrated at the wall instrument. It changes no factor here; trends take the step as a known break.
"log": corrected in the log, for raw transmitters; where the source is itself calibrated it needs a reason.
"undo": an earlier record is withdrawn by this one; what was in force before it is in force again.

Pure. May import: config, daemon.core, daemon.measure. What is not in order is refused with the reason; nothing here
raises. The body of the record is what the command gave, cut to known fields, and what came of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

from daemon.core.outcome import Calibration
from daemon.core.say import say
from daemon.core.scan import Act
from daemon.measure.calibration import KEPT, Kept, compared, figures, implausible, kept, tag_of
from daemon.measure.correction import Correction
from daemon.measure.senses import BoilerCell
from daemon.measure.watch import known_break
from daemon.measure.wiring import BoilerWiring

if TYPE_CHECKING:
    from daemon.engine.doing import Doing

FORMS: Final = ("handheld", "standard", "zero", "offset", "new probe")
_TEXTS: Final = ("instrument", "remark", "reason", "override", "no_display", "derived_from")
_NUMBERS: Final = ("reference", "reading", "probe", "reading_ms", "offset", "as_found", "as_left", "grab_ms")
_GROUPS: Final = ("grab", "wall", "standard")
_LONGEST: Final = 500
CALIBRATE_FIELDS: Final = (
    *("boiler", "how", "form", "undo", "new_probe", "cleaned", "keep"),
    *(*_TEXTS, *_NUMBERS, *_GROUPS),
)
"""What an act of this kind may hold."""


def calibrate(doing: Doing, act: Act) -> str:
    """Apply it; "" when done, else why not."""
    body = act.body
    found = _boiler(doing, body.get("boiler"))
    if isinstance(found, str):
        return found
    b, w = found
    how = body.get("how")
    if how == "undo":
        return _undo(doing, act, b, w)
    if how not in ("wall", "log"):
        return f"wants the act: at the wall instrument, or in the log; found {how!r}"
    if slip := _slip(body, w, str(how)):
        return slip
    return _wall(doing, act, b, w) if how == "wall" else _log(doing, act, b, w)


def _boiler(doing: Doing, name: object) -> tuple[BoilerCell, BoilerWiring] | str:
    for b, w in zip(doing.cells.senses.boilers, doing.p.wiring.boilers, strict=True):
        if w.name == name:
            return (b, w) if w.probe >= 0 else f"{name} has no conductivity probe in the plant file"
    return (
        f"there is no boiler {name!r} in the plant file; there are {', '.join(x.name for x in doing.p.wiring.boilers)}"
    )


def _slip(body: Mapping[str, Any], w: BoilerWiring, how: str) -> str:
    """What is wrong with a request whatever the probe's history."""
    for key in _NUMBERS:
        value = body.get(key)
        if value is not None and (
            isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value) or abs(value) > 1e15
        ):
            return f"{key} wants a number; found {value!r}"
    if any(not isinstance(body.get(key, {}), dict) for key in _GROUPS):
        return "grab, wall and standard want their fields by name"
    if body.get("form") not in FORMS:
        return f"wants one of {', '.join(FORMS)}; found {body.get('form')!r}"
    wall = body.get("wall", {})
    if not _number(wall.get("display")) and not _text(body, "no_display"):
        return "every calibration wants what the wall instrument shows, or why it shows nothing"
    if body["form"] == "handheld":
        grab = body.get("grab", {})
        if grab.get("cooled") is not True:
            return (
                "the grab was not cooled: hot water flashes as it leaves the line, and what is left reads up to about "
                "20 % high. Take it through a sample cooler"
            )
        ours = w.neutralised
        if grab.get("neutralised") is not ours:
            words = {True: "neutralised", False: "unneutralised"}
            said = words.get(grab.get("neutralised"), "not said to be neutralised or not")
            return (
                f"the grab was {said}, {tag_of(w.name)} is of {words[ours]} water: up to twice apart, never mixed. "
                "Read a sample of the same kind, or say conductivity.neutralised in the plant file as the probe is set"
            )
    if how == "log" and not w.corrected_here and not _text(body, "reason"):
        return (
            f"the source of {w.name} is calibrated at the wall instrument: a correction here would count twice. "
            'It wants a reason; a raw transmitter is said in the plant file: calibrated_at = "log"'
        )
    return ""


def _wall(doing: Doing, act: Act, b: BoilerCell, w: BoilerWiring) -> str:
    body, c = act.body, b.correction
    reference, found = _number(body.get("reference")), _number(body.get("as_found"))
    left, read = _number(body.get("as_left")), _number(body.get("reading"))
    if body["form"] not in ("handheld", "standard", "new probe"):
        return f"{body['form']} is a correction in the log; at the wall instrument say as found and as left"
    if found is None or left is None:
        return "a calibration at the wall instrument wants what it showed as found and as left"
    against = reference or left
    if against <= 0:
        return "wants a reference above 0, or what it showed as left"
    fresh = bool(body.get("new_probe")) or body["form"] == "new probe"
    error = 0.0 if fresh else (found / against - 1) * 100
    if not fresh and (odd := _odd(body, c, error)):
        return odd
    system = doing.p.system
    text = (
        f"calibrated at the wall instrument: as found {say(found, 'uS/cm', system)}, as left "
        f"{say(left, 'uS/cm', system)}"
        + (f", reference {say(reference, 'uS/cm', system)}" if reference else "")
        + (f"; the log read {say(read, 'uS/cm', system)} at the grab" if reference and read is not None else "")
        + "; no factor here changes, the step is a known break"
    )
    _keep(doing, act, b, w, "wall", error, fresh, text)
    return ""


def _log(doing: Doing, act: Act, b: BoilerCell, w: BoilerWiring) -> str:
    body, c, form = act.body, b.correction, act.body["form"]
    fresh = bool(body.get("new_probe")) or form == "new probe"
    zero, offset = (0.0, 0.0) if fresh else (c.zero, c.offset)
    gain, pair = (1.0, (0.0, 0.0)) if fresh else (c.gain, (c.pair_probe, c.pair_reference))
    probe, reference = _number(body.get("probe")), _number(body.get("reference"))
    error, how = 0.0, "set"
    if form in ("handheld", "standard"):
        reading = _number(body.get("reading"))
        if probe is None or reference is None or reading is None or reference <= 0:
            return "wants the reference (above 0) and our reading beside it"
        wall = body.get("wall", {})
        off = abs(_number(wall.get("off_percent")) or 0.0)
        if off > 1 and not _text(body, "override"):
            return (
                f"wall display and log are {off:.1f} % of span apart: range, damping or loop, and no correction "
                f"mends it (look: {_text(wall, 'look')}). A technician may override with a reason"
            )
        error, how = (0.0 if fresh else (reading / reference - 1) * 100), "log"
        if not fresh and (odd := _odd(body, c, error)):
            return odd
        if body.get("keep") and not fresh:
            text = f"compared (ours off by {error:+.1f} %), and nothing corrected"
            _keep(doing, act, b, w, how, error, fresh, text)
            return ""
        pair = (probe, reference)
    elif form == "zero":
        if probe is None:
            return "wants what the probe says dry in air"
        span = abs(w.probe_line.gain * (w.probe_line.good_max - w.probe_line.good_min)) if w.probe_line else 0.0
        if span and isfinite(span) and abs(probe) > 0.02 * span and not _text(body, "override"):
            return (
                f"{say(probe, 'uS/cm', doing.p.system)} is more than 2 % of span: a clean probe dry in air reads next "
                "to nothing. Look whether it is wet or scaled; a technician may override with a reason"
            )
        zero = probe
    elif form == "offset":
        given = _number(body.get("offset"))
        if given is None or not _text(body, "reason"):
            return "an offset hides what it mends: it wants its value and a reason"
        offset = given
    if pair != (0.0, 0.0) and form != "offset":
        if pair[0] - zero <= 0 or pair[1] - offset <= 0:
            return f"our reading ({pair[0]:.4g} uS/cm) is no more than the zero ({zero:.4g}): no gain comes of it"
        gain = (pair[1] - offset) / (pair[0] - zero)
    c.gain, c.zero, c.offset, c.pair_probe, c.pair_reference = gain, zero, offset, *pair
    c.since_ms, c.act = doing.group.at_ms, act.number
    text = f"corrected in the log ({form}): {figures(c)} from here on"
    if how == "log" and not fresh:
        text += f"; the reading was off by {error:+.1f} %"
    _keep(doing, act, b, w, how, error, fresh, text)
    return ""


def _undo(doing: Doing, act: Act, b: BoilerCell, w: BoilerWiring) -> str:
    number, c = act.body.get("undo"), b.correction
    records = kept(c)
    at = next((i for i, r in enumerate(records) if r.act == number and r.how != "undone"), -1)
    if isinstance(number, bool) or at < 0:
        live = ", ".join(str(r.act) for r in records if r.how != "undone") or "none"
        return f"no calibration of {w.name} under act {number!r} can be withdrawn; those that can: {live}"
    withdrawn = records[at]
    records[at] = withdrawn._replace(how="undone")
    force = [r for r in records if r.how in ("log", "set")]
    was = (c.gain, c.zero, c.offset)
    if force:
        r = force[-1]
        c.gain, c.zero, c.offset, c.act, c.since_ms = r.gain, r.zero, r.offset, r.act, r.at_ms
        c.pair_probe, c.pair_reference = r.pair_probe, r.pair_reference
    else:
        c.gain, c.zero, c.offset, c.act, c.since_ms, c.pair_probe, c.pair_reference = 1.0, 0.0, 0.0, 0, 0, 0.0, 0.0
    c.records = tuple(records)
    same = was == (c.gain, c.zero, c.offset)
    if not same or withdrawn.how == "wall":
        _break(doing, b)
    text = f"calibration of act {number} withdrawn; in force: {figures(c) if c.act else 'no correction'}"
    if same:
        text += ", as before"
    _record(doing, act, b, w, "undone", {"undone": number}, text)
    return ""


def _odd(body: Mapping[str, Any], c: Correction, error: float) -> str:
    why = implausible(kept(c), error)
    if not why or _text(body, "override"):
        return ""
    return f"{why}. Look at the sample, the meter and its unit first; a technician may override with a reason"


def _keep(
    doing: Doing, act: Act, b: BoilerCell, w: BoilerWiring, how: str, error: float, fresh: bool, text: str
) -> None:
    c, body = b.correction, act.body
    force = (c.gain, c.zero, c.offset)
    pair = (c.pair_probe, c.pair_reference)
    record = Kept(act.number, doing.group.at_ms, how, *force, error, fresh, *pair, body.get("cleaned") is True)
    first = not compared(kept(c)) or fresh
    c.records = (*c.records, record)[-KEPT:]
    if how == "wall" or fresh or not body.get("keep"):
        _break(doing, b)
    details: dict[str, Any] = {"form": body["form"], "error_percent": round(error, 3), "new_probe": fresh}
    details["first_of_probe"] = first
    details["cleaned"] = bool(body.get("cleaned"))
    details["corrected"] = how != "wall" and (bool(fresh) or not body.get("keep"))
    details |= {k: body[k] for k in _NUMBERS if body.get(k) is not None}
    details |= {k: _flat(body[k]) for k in _GROUPS if body.get(k)}
    if first and how in ("log", "wall"):
        text += "; the first of this probe: nothing to judge it by"
    if told := _text(body, "override"):
        text += f"; overridden: {told}"
    if told := _text(body, "reason"):
        text += f"; reason: {told}"
    wall = _number(body.get("wall", {}).get("off_percent"))
    if wall is not None and abs(wall) > 1:
        text += f"; wall display and log {wall:+.1f} % of span apart ({body['wall'].get('what', '')})"
    kind = "wall instrument" if how == "wall" else "log"
    _record(doing, act, b, w, kind, details, text)


def _record(
    doing: Doing, act: Act, b: BoilerCell, w: BoilerWiring, kind: str, details: Mapping[str, Any], text: str
) -> None:
    from daemon.engine.doing import noted

    c = b.correction
    body = {
        **details,
        **{k: _text(act.body, k) for k in _TEXTS if _text(act.body, k)},
        "gain": c.gain,
        "zero": c.zero,
        "offset_in_force": c.offset,
        "since_ms": c.since_ms,
        "force_act": c.act,
        "by": act.by,
        "text": text,
    }
    doing.calibrations.append(Calibration(tag_of(w.name), doing.group.at_ms, kind, body, act.number))
    noted(doing, act, "calibration", w.name, text)


def _break(doing: Doing, b: BoilerCell) -> None:
    """Readings step here: what compares across it starts afresh."""
    b.correction.break_ms, b.correction.break_at_ms = doing.group.elapsed_ms, doing.group.at_ms
    b.ref = b.blow.sampled = b.blow.last = None
    known_break(b.watch)


def _text(body: Mapping[str, Any], key: str) -> str:
    value = body.get(key)
    return value.strip()[:_LONGEST] if isinstance(value, str) else ""


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        return None
    return float(value)


def _flat(group: Mapping[str, Any]) -> dict[str, Any]:
    """Plain values only."""
    return {
        str(k)[:40]: (v[:_LONGEST] if isinstance(v, str) else v)
        for k, v in group.items()
        if v is None or isinstance(v, str | bool) or _number(v) is not None
    }
