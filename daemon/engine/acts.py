"""What people, and the service itself, did: each kind of act and what it does to the state.

Pure. May import: config, daemon.core, daemon.measure, daemon.alarms. `ACTS` is the one list; an act is applied in the
group that carries it, before the senses take that group, and answers "" when done, else why not. A new kind is a
function here, or in a file of its own that is named here, and its keys in `daemon.app.service.ACTS`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from daemon.core.scan import Act
from daemon.engine import entering, setting_aside
from daemon.engine.calibrating import calibrate
from daemon.engine.dialling import read_dial
from daemon.engine.doing import Apply as Apply
from daemon.engine.doing import Doing as Doing
from daemon.engine.doing import noted as noted
from daemon.measure.senses import FACTS


def _ack(doing: Doing, act: Act) -> str:
    wanted = act.body.get("occurrence")
    if isinstance(wanted, bool) or not isinstance(wanted, int) or wanted < 1:
        return f"no alarm {wanted} stands; `waterside status` lists those that do"
    return doing.acknowledge(wanted, act.by)


def _release(doing: Doing, act: Act) -> str:
    wanted = act.body.get("occurrence")
    if isinstance(wanted, bool) or not isinstance(wanted, int) or wanted < 1:
        return f"no alarm {str(wanted)[:20]} is held; `waterside status` lists those that are"
    return doing.let_go(wanted, act.by)


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
    "release": _release,
    "calibrate": calibrate,
    "dial": read_dial,
    "note": _note,
    "loop_check": _loop_check,
    "service": _service,
    "enter": entering.enter,
    "out": setting_aside.out,
    "back": setting_aside.back,
    "word": setting_aside.word,
    "hand": setting_aside.hand,
    "shelve": setting_aside.shelve,
    "unshelve": setting_aside.unshelve,
}


def apply(doing: Doing, act: Act) -> str:
    """Apply an act; "" when done, else why not."""
    doer = ACTS.get(act.kind)
    return doer(doing, act) if doer else f"this version does not know the act {act.kind!r}"
