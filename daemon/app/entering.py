"""`waterside enter`: a test done by hand, typed in, answered at once, kept as a record. Heavy imports are inside.

May import: config.water_tests, daemon.app, daemon.store.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from daemon.app.due import DueView
    from daemon.app.view import View


def enter(
    target: Annotated[str, typer.Argument(help="What it is of: a boiler, or makeup, feedwater, condensate ...")] = "",
    what: Annotated[str, typer.Argument(help="The test: hardness, sulphite, ph ... (--tests lists them).")] = "",
    value: Annotated[str, typer.Argument(help="The result, or passed or failed.")] = "",
    unit: Annotated[str, typer.Argument(help="Its unit.")] = "",
    at: Annotated[str, typer.Option(help='When the sample was taken: "07:40", "2026-11-20 07:40", "-2h".')] = "now",
    method: Annotated[str, typer.Option(help="How it was tested: kit, strip, laboratory ...")] = "",
    note: Annotated[str, typer.Option(help="What else is to be known.")] = "",
    instead_of: Annotated[int, typer.Option(help="The act whose result this one takes the place of.")] = 0,
    withdraw: Annotated[int, typer.Option(help="The act whose result no longer counts; no new one.")] = 0,
    why: Annotated[str, typer.Option(help="Why it is withdrawn; stays on record.")] = "",
    tests: Annotated[bool, typer.Option("--tests", help="List the tests, their units and what they can be.")] = False,
    by: Annotated[str | None, typer.Option("--by", help="Who does this; default: the login name.")] = None,
    store: Annotated[Path | None, typer.Option("--store", help="The store's file, as for `status`.")] = None,
) -> None:
    """Enter a test done by hand. A result is never changed: a wrong one is withdrawn by another record.

    Example: waterside enter B1 hardness 0.5 ppm --method "drop test" --by "J. Ortiz"
    """
    from zoneinfo import ZoneInfo

    from config.water_tests import ResultError, named_test, read_result
    from daemon.app.ask import AskError, ask, person
    from daemon.app.commands import find_store
    from daemon.app.moments import MomentError, past_ms
    from daemon.store.errors import StoreError

    if tests:
        list_tests()
        raise typer.Exit
    undone = withdraw or instead_of
    if withdraw and (value or instead_of):
        raise stop("--withdraw takes a result away and gives none; with a new result it is --instead-of.", 2)
    if not withdraw and not (target and what and value):
        raise stop("An entry wants what it is of, the test and the result: waterside enter B1 hardness 0.5 ppm", 2)
    if undone and not why.strip():
        raise stop(f"Withdrawing the result of act {undone} needs a reason: --why", 2)
    place, who = find_store(store), person(by)
    try:
        body: dict[str, Any] = {"act": "enter", "by": who, "method": method, "note": note, "why": why}
        if undone:
            body |= _undone(place, undone)
        if not withdraw:
            test = named_test(what)
            number, written = read_result(test, f"{value} {unit}")
            now = seen(place)
            taken = past_ms(at, ZoneInfo(now.zone), now.now_ms)
            body |= {"target": target, "what": test.what, "value": number, "unit": written, "taken_ms": taken}
        answer = ask(place, body, 30.0)
        print(f"{'withdrawn' if withdraw else 'kept'} as act {answer['number']}, by {who}")
        for t in seen(place).tests:
            if (t.target, t.what) == (body["target"], body["what"]):
                print(in_force(t))
    except (ResultError, MomentError, AskError, StoreError) as e:
        raise stop(str(e)) from e


def stop(text: str, code: int = 1) -> typer.Exit:
    """Say why on standard error, and the exit to raise."""
    print(text, file=sys.stderr)
    return typer.Exit(code)


def seen(place: Path) -> View:
    """The plant as the running service sees it now. AskError."""
    from daemon.app.ask import ask
    from daemon.app.status import view_from_json

    return view_from_json(ask(place, {"ask": "view"}, 30.0)["view"])


def in_force(t: DueView) -> str:
    """The result in force and what is to be said of it, in a line."""
    if not t.taken_ms:
        return f"{t.target} {t.title}: no result is in force"
    said = {"in range": f"in its control range, {t.range}", "failed": "FAILED: this is told at once"}.get(t.verdict, "")
    if t.verdict in ("above", "below"):
        said = f"{t.verdict.upper()} its control range, {t.range}"
    return f"{t.target} {t.title} in force: {t.shown}{f', {said}' if said else ''}"


def list_tests() -> None:
    """Every test there is, with units and bounds."""
    from config.water_tests import WATER_TESTS, WATERS

    for t in WATER_TESTS.values():
        units = ", ".join(u for u in t.units if u)
        can = "passed or failed" if t.result == "passed" else f"{t.lowest:g} to {t.highest:g} {t.unit}"
        print(f"{t.what:<21} {t.title}: {can}" + (f" ({units})" if units else ""))
    print(f"Of a boiler, meter, tank, chemical or signal of the plant file, or of: {', '.join(WATERS)}.")


def _undone(place: Path, number: int) -> dict[str, Any]:
    """What is on record of the result of an act, for the record that withdraws it."""
    from daemon.measure.manual import withdrawn_act
    from daemon.store.reader import Reader

    with Reader(place) as reader:
        every = list(reader.manual())
    found = [m for m in every if m.act == number and withdrawn_act(m.note) is None]
    if not found:
        raise stop(f"Act {number} entered no result. `waterside export` lists results with their acts.")
    gone = next((m.act for m in every if withdrawn_act(m.note) == number), None)
    if gone is not None:
        raise stop(f"The result of act {number} is withdrawn already, by act {gone}.")
    m = found[0]
    was = {"value": m.value, "unit": m.unit, "taken_ms": m.taken_ms}
    return {"withdraws": number, "target": m.target, "what": m.what, "was": was}
