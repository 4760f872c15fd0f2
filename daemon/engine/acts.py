"""What people, and the service itself, did: each kind of act and what it does to the state.

Pure. May import: config, daemon.core, daemon.measure, daemon.alarms. `ACTS` is the one list; an act is applied in the
group that carries it, before the senses take that group, and answers "" when done, else why not. A new kind is a
function here, or in a file of its own that is named here, and its keys in `daemon.app.service.ACTS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final, Protocol

from daemon.core.outcome import Calibration, Entry, ManualReading
from daemon.core.scan import Act, Group
from daemon.engine.calibrating import calibrate
from daemon.engine.state import Cells, Programme
from daemon.measure.senses import FACTS

LONGEST: Final = 2000  # characters of a text that goes into the journal


class Doing(Protocol):
    """What an act may look at and change: the group on its way through the step."""

    p: Programme
    cells: Cells
    group: Group
    journal: list[Entry]
    calibrations: list[Calibration]
    manual: list[ManualReading]
    all_stored: bool  # the run ends with this group, and all that it has read is stored

    def acknowledge(self, occurrence: int, by: str) -> str: ...


Apply = Callable[[Doing, Act], str]


def noted(doing: Doing, act: Act, kind: str, target: str, text: str) -> None:
    """One line in the journal about an act."""
    doing.journal.append(
        Entry(doing.group.at_ms, 0, target, kind, "", "note", "", "", evidence=text[:LONGEST], by=act.by)
    )


def _ack(doing: Doing, act: Act) -> str:
    wanted = act.body.get("occurrence")
    if isinstance(wanted, bool) or not isinstance(wanted, int) or wanted < 1:
        return f"no alarm {wanted} stands; `waterside status` lists those that do"
    return doing.acknowledge(wanted, act.by)


def _note(doing: Doing, act: Act) -> str:
    noted(doing, act, "note", str(act.body.get("target", "")), str(act.body.get("text", "")))
    return ""


def _loop_check(doing: Doing, act: Act) -> str:
    noted(doing, act, "loop_check", str(act.body.get("tag", "")), str(act.body.get("summary", "")))
    return ""


def _service(doing: Doing, act: Act) -> str:
    body: Mapping[str, Any] = act.body
    kind = str(body.get("kind"))
    if kind == "stopped":  # the last word of a run, in a group of its own; in any other it came too late
        doing.all_stored = not doing.group.scans
        return ""
    if kind not in FACTS:
        return f"no such report: {kind!r}"
    fact = doing.cells.senses.facts[FACTS.index(kind)]
    fact.active, fact.once = bool(body.get("active")), bool(body.get("once"))
    fact.value, fact.limit = body.get("value"), body.get("limit")
    fact.evidence = str(body.get("evidence", ""))
    return ""


ACTS: Final[Mapping[str, Apply]] = {
    "ack": _ack,
    "calibrate": calibrate,
    "note": _note,
    "loop_check": _loop_check,
    "service": _service,
}


def apply(doing: Doing, act: Act) -> str:
    """Apply an act; "" when done, else why not."""
    doer = ACTS.get(act.kind)
    return doer(doing, act) if doer else f"this version does not know the act {act.kind!r}"
