"""`calibrate`: the talk with a technician, from a grab sample to a record. README: "Calibration".

The engine decides (`daemon.engine.calibrating`); here values are gathered, compared and shown. May import: config,
daemon.app, daemon.core, daemon.measure, daemon.store, daemon.water.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from config import units
from config.model import Boiler, Plant
from config.solids import NEUTRALISED, compensation_of, sample_word
from daemon.app.ask import AskError, Refused, ask
from daemon.app.calibration_talk import (
    Ask,
    NotDone,
    Progress,
    Say,
    Talk,
    Wishes,
    celsius_of,
    moment_ms,
    override_of,
    percent_of,
)
from daemon.app.pairing import NoPair, pair_at, readings
from daemon.app.wall_display import beside_wall, no_wall, wanted_display
from daemon.core.reasons import words
from daemon.measure.calibration import tag_of
from daemon.measure.handheld import Grab, HandheldRefused, at_25

if TYPE_CHECKING:
    from daemon.store.reader import Reader

Json = dict[str, Any]

LOOK_BACK_MS: Final = 3 * 3_600_000
CAUTION: Final = (
    "A sample is taken through a cooler with its cooling water running first, with face shield and gloves: boiler "
    "water flashes and is caustic. Work on probe, line or panel is for trained people, by the site's lock-out "
    "procedure; local codes and licensed operators decide."
)


def calibrate(wishes: Wishes, store: Path, by: str, asker: Ask | None, tell: Say) -> int:
    """Lead through one calibration; the exit code. NotDone, AskError when nothing is recorded."""
    from daemon.store.reader import Reader

    with Reader(store) as reader:
        plant, boiler = plant_and_boiler(reader, wishes.boiler)
        talk = Talk(wishes, store, by, plant, boiler, asker, tell)
        if wishes.undo is not None:
            body: Json = {"how": "undo", "undo": wishes.undo, "reason": wishes.reason or ""}
        else:
            talk.tell(CAUTION)
            _printed(talk)
            body = _gathered(talk, reader)
        number = _submitted(talk, body)
        talk.tell(f"Recorded as act {number}, by {by}: {_text_of(reader, number)}.")
    return 0


def plant_and_boiler(reader: Reader, name: str) -> tuple[Plant, Boiler]:
    """The plant in force and a boiler of it with a probe. NotDone when there is none."""
    last = reader.last()
    if last is None:
        raise NotDone("Nothing is stored yet.")
    plant = reader.plant(last.plant)
    found = next((b for b in plant.boilers if b.name == name and b.conductivity), None)
    if found is None:
        known = ", ".join(b.name for b in plant.boilers if b.conductivity) or "none"
        raise NotDone(f"There is no boiler {name!r} with a conductivity probe; there are: {known}.", 2)
    return plant, found


# ------------------------------------------------------------------ what is gathered


def _printed(talk: Talk) -> None:
    """The value of a handheld that prints it."""
    from daemon.app.handheld_line import read_handheld

    w = talk.wishes
    if w.handheld_from is None:
        return
    if w.handheld is not None:
        raise NotDone("One handheld at a time: --handheld and --from are two.", 2)
    value, line = read_handheld(w.handheld_from)
    talk.tell(f"The handheld says {', '.join(f'{k} {v:g}' for k, v in line.items())}; taken: {value:g}.")
    talk.wishes = replace(w, handheld=value)


def _gathered(talk: Talk, reader: Reader) -> Json:
    wishes = talk.wishes
    form = _form(wishes)
    body: Json = {"how": _how(talk, form), "form": form}
    reference: float | None = None
    if form == "handheld":
        reference = _handheld(talk, body)
    elif form == "standard":
        reference = _standard(talk, body)
    elif form == "offset":
        body["offset"] = wishes.offset
    if body["how"] == "wall":
        found = wanted_display(talk)
        left = talk.number(wishes.as_left, "--as-left", "And what does it show as left, after your adjustment?")
        talk.complete()
        body |= {"as_found": found, "as_left": left}
        beside_wall(talk, reader, body, found)
        _texts(talk)
        if form == "handheld":
            _beside_grab(talk, reader, body, reference or 0.0)
    else:
        shows = no_wall(talk, body)
        talk.complete()
        beside_wall(talk, reader, body, shows)
        _texts(talk)
        if form == "handheld":
            _paired(talk, reader, body, reference or 0.0)
        elif form in ("standard", "zero"):
            now = ask(talk.store, {"ask": "probe now", "boiler": talk.boiler.name}, 60.0)
            if now["probe"] is None:
                raise NotDone(f"The probe has no value at 25 °C now: {words(now['reason'])}.")
            body |= {"probe": now["probe"], "reading": now["reading"], "reading_ms": now["at_ms"]}
            talk.tell(f"The probe says {talk.shown(now['probe'])} at 25 °C, without correction.")
    if reference is not None:
        body["reference"] = reference
    body |= {
        "new_probe": wishes.new_probe,
        "cleaned": wishes.cleaned,
        "instrument": talk.wishes.instrument or "",
        "remark": talk.wishes.remark or "",
        "reason": wishes.reason or "",
        "override": talk.wishes.override or "",
    }
    return body


def _form(w: Wishes) -> str:
    given = {
        "handheld": w.handheld is not None,
        "standard": w.standard is not None,
        "zero": w.zero,
        "offset": w.offset is not None,
    }
    chosen = [k for k, v in given.items() if v]
    if len(chosen) > 1:
        raise NotDone(f"One calibration at a time: {' and '.join(f'--{c}' for c in chosen)} are two.", 2)
    if chosen:
        return chosen[0]
    if w.new_probe:
        return "new probe"
    raise NotDone(
        "Say what was compared: --handheld VALUE (the normal form), --standard VALUE, --zero, --offset VALUE, or "
        "--new-probe; --history shows what was done so far.",
        2,
    )


def _how(talk: Talk, form: str) -> str:
    """wall or log: as told, else as the plant file says where the signal is calibrated."""
    if talk.wishes.how:
        return talk.wishes.how
    c = talk.boiler.conductivity
    assert c is not None
    if form in ("zero", "offset") or c.calibrated_at == "log":
        return "log"
    said = "says so" if c.calibrated_at else "does not say else (calibrated_at)"
    talk.tell(
        f"{talk.boiler.name} is calibrated at the wall instrument (the plant file {said}): this records it and changes "
        "no factor here."
    )
    return "wall"


def _handheld(talk: Talk, body: Json) -> float | None:
    w, name = talk.wishes, talk.boiler.name
    assert w.handheld is not None
    unit, factor = w.unit or "uS/cm", w.meter_factor
    if w.unit is None and talk.ask is not None:
        unit = talk.ask("Unit of the handheld: uS/cm, mS/cm, ppm? (Enter: uS/cm)  ").strip() or "uS/cm"
    if unit in ("ppm", "mg/L"):
        factor = talk.number(factor, "--meter-factor", "The meter's own factor, ppm per uS/cm?")
    cooled = talk.yes(w.cooled, "--cooled or --not-cooled", "Was the grab cooled?")
    if cooled is False:  # nothing that follows can make up for it
        _refused(talk, Grab(w.handheld, unit, factor, False, True, None, sample_word(talk.boiler) == NEUTRALISED))
    compensated = talk.yes(
        w.compensated, "--compensated or --not-compensated", "Does the meter compensate to 25 °C by itself?"
    )
    celsius = celsius_of(talk, w.temperature)
    if compensated is False and celsius is None:
        answer = talk.wanted('--temperature "31 °C"', "Temperature of the sample while it was read?")
        celsius = celsius_of(talk, answer)
    neutralised = talk.yes(
        w.neutralised, "--neutralised or --not-neutralised", "Was it neutralised (gallic acid or the like)?"
    )
    tolerance = percent_of(w.tolerance)
    grab = Grab(w.handheld, unit, factor, cooled, compensated, celsius, neutralised, tolerance)
    if talk.missing:
        return None
    reference = _refused(talk, grab)
    body["grab"] = asdict(grab)
    if unit != "uS/cm" or not compensated:
        talk.tell(f"{name}: {grab.value:g} {unit} on the handheld is {talk.shown(reference)} at 25 °C.")
    return reference


def _refused(talk: Talk, grab: Grab) -> float:
    from daemon.water.steam import flash_fraction

    try:
        share = flash_fraction(talk.boiler.pressure, 0.0, units.atmosphere(talk.plant.plant.altitude))
    except ValueError:
        share = 0.0
    try:
        ours = sample_word(talk.boiler) == NEUTRALISED
        return at_25(grab, neutralised=ours, flashed=share or None, coefficient=_coefficient(talk.boiler))
    except HandheldRefused as e:
        raise NotDone(f"Not calibrated: {e}.") from e


def _coefficient(boiler: Boiler) -> float:
    c = boiler.conductivity
    return c.coefficient if c else 2.0


def _standard(talk: Talk, body: Json) -> float | None:
    """The value the probe should show in a standard solution, uS/cm."""
    from daemon.water.standards import REMARK, bottle

    w = talk.wishes
    assert w.standard is not None
    celsius = celsius_of(talk, w.temperature)
    if celsius is None:
        celsius = celsius_of(talk, talk.wanted('--temperature "22.5 °C"', "Temperature of the solution?"))
    if celsius is None:
        return None
    try:
        there = bottle(w.standard, celsius)
    except ValueError as e:
        raise NotDone(f"Not calibrated: {e}.") from e
    how = compensation_of(talk.boiler).how
    reference = there if how == "none" else w.standard
    talk.tell(
        f"The standard of {w.standard:g} uS/cm at 25 °C is {there:.5g} uS/cm at {celsius:.3g} °C (potassium chloride, "
        f"CRC Handbook); this signal is {'not compensated' if how == 'none' else 'brought to 25 °C'}: it should read "
        f"{reference:.5g} uS/cm. Remember: {REMARK}."
    )
    body["standard"] = {"label": w.standard, "celsius": celsius, "at_temperature": there, "remark": REMARK}
    return reference


def _texts(talk: Talk) -> None:
    """Instrument and remark, asked only where somebody can be."""
    w = talk.wishes
    if talk.ask is None or w.handheld is None:
        return
    instrument = w.instrument or talk.ask("Which meter? (name or number; Enter: not said)  ").strip()
    remark = w.remark or talk.ask("Remark? (Enter: none)  ").strip()
    talk.wishes = replace(w, instrument=instrument, remark=remark)


# ------------------------------------------------------------------ our reading


def _paired(talk: Talk, reader: Reader, body: Json, reference: float) -> None:
    """Our representative reading at the moment of the grab, past or coming, and what the boiler did since."""
    tolerance = float(body["grab"]["tolerance"])
    if talk.wishes.at is not None:
        _past(talk, reader, body, tolerance)
    else:
        _coming(talk, body, tolerance)
    off = (body["reading"] / reference - 1) * 100
    talk.tell(f"Ours {talk.shown(body['reading'])}, handheld {talk.shown(reference)}: ours is off by {off:+.1f} %.")
    correct = talk.wishes.correct
    if correct is None and abs(off) <= tolerance and not talk.wishes.new_probe:
        talk.tell(f"That is within the meter's tolerance of {tolerance:g} %: nothing is gained by a correction.")
        correct = bool(talk.yes(None, "", "Correct all the same?")) if talk.ask else False
    body["keep"] = correct is False


def _past(talk: Talk, reader: Reader, body: Json, tolerance: float) -> None:
    try:
        _stood(talk, reader, body, tolerance)
    except NoPair as e:
        raise NotDone(f"Not calibrated: {e}. Grab while the valve is open, or enter the grab without --at.") from e


def _beside_grab(talk: Talk, reader: Reader, body: Json, reference: float) -> None:
    """At the wall nothing is corrected by it, but what the log read at the grab (now without --at) is on record."""
    try:
        _stood(talk, reader, body, float(body["grab"]["tolerance"]))
    except NoPair as e:
        talk.tell(f"Recorded without a reading of the log beside the grab: {e}.")
        return
    off = (body["reading"] / reference - 1) * 100
    talk.tell(f"The log read {talk.shown(body['reading'])}, the handheld {talk.shown(reference)}: {off:+.1f} %.")


def _stood(talk: Talk, reader: Reader, body: Json, tolerance: float) -> None:
    """The reading that stood for the boiler at the grab, and what the boiler did since. NoPair when there is none."""
    last = reader.last()
    assert last is not None
    at = last.at_ms
    if talk.wishes.at is not None:
        at = moment_ms(talk.wishes.at, ZoneInfo(talk.plant.plant.zone), last.at_ms)
    if at > last.at_ms:
        raise NotDone(f"--at {talk.wishes.at} is after the newest stored reading ({talk.clock(last.at_ms)}).", 2)
    name = talk.boiler.name
    pair = pair_at(readings(reader, name, at - LOOK_BACK_MS, at + LOOK_BACK_MS), at)
    talk.tell(
        f"{name} at {talk.clock(at)}: {talk.shown(pair.value)} ({words(pair.reason)}), from {pair.how}."
        + (f" They differ by {pair.spread:.1f} %: the boiler was moving." if pair.spread > tolerance else "")
    )
    newest = [r for r in readings(reader, name, last.at_ms - LOOK_BACK_MS, last.at_ms + 1) if r.at_ms > at][-1:]
    if newest and abs(newest[0].value / pair.value - 1) * 100 > tolerance:
        talk.tell(_moved(newest[0].value / pair.value, tolerance))
    body |= {"reading": pair.value, "probe": pair.probe, "reading_ms": at, "grab_ms": at}
    body["derived_from"] = pair.how


def _moved(ratio: float, tolerance: float) -> str:
    return (
        f"The boiler has moved by {(ratio - 1) * 100:+.1f} % since the grab, more than the meter's {tolerance:g} %: "
        "the reading of then counts, not that of now."
    )


def _coming(talk: Talk, body: Json, tolerance: float) -> None:
    name = talk.boiler.name
    talk.say(f"Waiting for the next representative reading of {name} ...")
    line = Progress(talk.say)
    try:
        got = ask(talk.store, {"ask": "next reading", "boiler": name}, 60.0, progress=line.show)
    except Refused as e:
        raise NotDone(f"Not calibrated: {e}") from e
    finally:
        line.end()
    many = f"the middle of {got['readings']}, " if got["readings"] > 1 else ""
    talk.tell(f"{name} at {talk.clock(got['at_ms'])}: {talk.shown(got['value'])} ({many}{words(got['reason'])}).")
    before = got["before"]
    if before and abs(got["value"] / before - 1) * 100 > tolerance:
        talk.tell(
            f"The sample before, at {talk.clock(got['before_ms'])}, was {talk.shown(before)}: the boiler moves by more "
            f"than the meter's {tolerance:g} % between samples. A grab taken while the valve is open compares better."
        )
    body |= {"reading": got["value"], "probe": got["probe"], "reading_ms": got["at_ms"], "grab_ms": got["at_ms"]}
    body["derived_from"] = f"{got['readings']} readings of the next sample"


# ------------------------------------------------------------------ the act


def _submitted(talk: Talk, body: Json) -> int:
    """Hand the act in; where it is not plausible and somebody can be asked, an override may be given."""
    request = {"act": "calibrate", "by": talk.by, "boiler": talk.boiler.name, **body}
    try:
        return int(ask(talk.store, request, 30.0)["number"])
    except Refused as e:
        why = str(e.error.get("what", e))
        if talk.ask is None or "override" not in why:
            tail = " Give the reason with --override." if "override" in why else ""
            raise NotDone(f"Not calibrated: {why}.{tail}") from e
        talk.tell(f"Not calibrated: {why}.")
        reason = override_of(talk)
    try:
        return int(ask(talk.store, request | {"override": reason}, 30.0)["number"])
    except Refused as e:
        raise NotDone(f"Not calibrated: {e.error.get('what', e)}.") from e


def _text_of(reader: Reader, number: int) -> str:
    found = [r for r in reader.calibrations() if r.act == number]
    return str(found[-1].body.get("text", "")) if found else ""


__all__ = ["AskError", "NotDone", "Wishes", "calibrate", "moment_ms", "plant_and_boiler", "tag_of"]
