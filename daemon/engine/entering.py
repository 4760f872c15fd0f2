"""The act `enter`: a result of a test done by hand becomes a record, and is in force until a later one.

Undoing is a record too: `withdraws` names the act whose result no longer counts, alone or with a new result in its
place. Pure. May import: config, daemon.core, daemon.measure, the engine's doing.
"""

from __future__ import annotations

import math
from typing import Final

from config.model import Plant
from config.water_tests import WATERS, ResultError, WaterTest, named_test, result_in_base, shown_result, with_title
from daemon.core.outcome import ManualReading
from daemon.core.scan import Act
from daemon.engine.doing import Doing, noted
from daemon.measure.manual import Result, of_act, remark, with_result, withdrawal, without_act

EARLY_MS: Final = 300_000  # clocks of two PCs differ: so much later than now may be meant as now
TEXT: Final = 400  # characters of method and remark that are kept


def enter(doing: Doing, act: Act) -> str:
    """Apply the act; "" when done, else why not."""
    body = act.body
    what, target = body.get("what"), body.get("target")
    if not isinstance(what, str) or not isinstance(target, str):
        return "an entry wants what was tested, and of what: `waterside enter B1 hardness 0.5 ppm`"
    known = targets(doing.p.plant)
    if target not in known:
        return f'there is nothing called "{target[:40]}" to test; known here: {", ".join(known)}'
    try:
        test = named_test(what)
    except ResultError as e:
        return str(e)
    withdraws, number = body.get("withdraws"), body.get("value")
    if withdraws is not None:
        refused = _may_withdraw(act, withdraws, target, test)
        if refused:
            return refused
    elif number is None:
        return f"{test.title} of {target}: there is no result in this entry; give one, like 0.5 ppm"
    base = taken_ms = None
    if number is not None:
        found = _result(doing, act, test)
        if isinstance(found, str):
            return found
        base, taken_ms = found
    if withdraws is not None:
        _withdraw(doing, act, int(withdraws), target, test)
    if base is not None and taken_ms is not None:
        _keep(doing, act, target, test, base, taken_ms)
    return ""


def targets(plant: Plant) -> tuple[str, ...]:
    """What results may be of: the plant's parts, and the waters every plant has."""
    parts = (plant.boilers, plant.meters, plant.tanks, plant.chemicals, plant.analogues)
    return tuple(dict.fromkeys((*(x.name for part in parts for x in part), *WATERS)))


def _result(doing: Doing, act: Act, test: WaterTest) -> tuple[float, int] | str:
    """The result in its base unit and when it was taken, or what is wrong with it."""
    number, unit, taken = act.body.get("value"), act.body.get("unit", ""), act.body.get("taken_ms", doing.group.at_ms)
    if isinstance(number, bool) or not isinstance(number, (int, float)) or not isinstance(unit, str):
        return f"{test.title} wants a number and a unit; found {str(number)[:40]!r}"
    if isinstance(taken, bool) or not isinstance(taken, int):
        return f"the time of a result wants to be ms UTC; found {str(taken)[:40]!r}"
    if not 0 <= taken <= doing.group.at_ms + EARLY_MS:
        return "the time of the result is still to come; give when the sample was taken with --at"
    try:
        return result_in_base(test, float(number), unit), taken
    except (ResultError, OverflowError) as e:
        return str(e)


def _may_withdraw(act: Act, withdraws: object, target: str, test: WaterTest) -> str:
    if isinstance(withdraws, bool) or not isinstance(withdraws, int) or not 0 < withdraws < act.number:
        return f"an entry to withdraw wants the number of its act; found {str(withdraws)[:40]!r}"
    if not str(act.body.get("why", "")).strip():
        return f"withdrawing a result needs a reason: {test.title} of {target}, act {withdraws}; give --why"
    return ""


def _withdraw(doing: Doing, act: Act, number: int, target: str, test: WaterTest) -> None:
    """A record that the result of an act no longer counts, dated as that result was."""
    s = doing.cells.senses
    kept = of_act(s.results, number)
    was = act.body.get("was")
    was = was if isinstance(was, dict) else {}
    if kept is not None:
        target, test, value, unit, taken = kept.target, named_test(kept.what), kept.value, "", kept.taken_at
        s.results, s.results_new = without_act(s.results, number), True
        unit = test.unit
    else:  # older than what is kept: as the person's command read it from the records
        value, unit = _number(was.get("value")), str(was.get("unit", ""))[:40]
        found = was.get("taken_ms")
        taken = found if isinstance(found, int) and not isinstance(found, bool) else doing.group.at_ms
    why = str(act.body.get("why", ""))[:TEXT]
    doing.manual.append(ManualReading(target, test.what, taken, value, unit, withdrawal(number, why), act.number))
    noted(doing, act, "test_result", target, f"{test.title} of act {number} withdrawn: {why}")


def _keep(doing: Doing, act: Act, target: str, test: WaterTest, base: float, taken_ms: int) -> None:
    body, s = act.body, doing.cells.senses
    value, unit = float(body["value"]), str(body.get("unit", "")).strip()
    parts = [("by " + str(body["method"])[:TEXT]) if body.get("method") else "", str(body.get("note") or "")[:TEXT]]
    text = remark("; ".join(filter(None, parts)))
    doing.manual.append(ManualReading(target, test.what, taken_ms, value, unit, text, act.number))
    s.results, s.results_new = (
        with_result(s.results, Result(target, test.what, taken_ms, act.number, base, act.by)),
        True,
    )
    told = with_title(test.title, shown_result(test, base))
    noted(doing, act, "test_result", target, told + (f"; {text}" if text else ""))


def _number(value: object) -> float:
    good = isinstance(value, (int, float)) and not isinstance(value, bool)
    try:
        number = float(value) if good else 0.0  # type: ignore[arg-type]
    except OverflowError:
        return 0.0
    return number if math.isfinite(number) else 0.0
