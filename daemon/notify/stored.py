"""Tellings and calls as they are stored: JSON, read back by later versions of the program too. Pure.

May import: daemon.core, daemon.notify.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

from daemon.core.outcome import Notice
from daemon.notify.outbox import notice_of
from daemon.notify.telling import BoilerDay, Daily, Telling, Told

By = Literal["duty", "everyone", "told", ""]
"""Why just this person: on duty then, one of all, told of the raise before; "" for what is addressed by name."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A person who was told of a call: first when, how often, and as what."""

    name: str
    at_ms: int
    times: int = 1
    by: By = "duty"


@dataclass(frozen=True, slots=True)
class Call:
    """One raised alarm as people were told of it."""

    notice: Notice  # of the raise
    heard: tuple[Heard, ...] = ()
    escalate_ms: int = 0  # when others are told unless somebody acknowledges, 0: nobody is left
    remind_ms: int = 0
    reminders: int = 0
    acknowledged: bool = False
    over: bool = False

    def heard_by(self, name: str) -> Heard | None:
        """How a person was told, None when not."""
        return next((h for h in self.heard if h.name == name), None)


def _plain(data: object) -> str:
    return json.dumps(data, ensure_ascii=True, separators=(",", ":"), sort_keys=True)


def call_json(call: Call) -> str:
    return _plain(asdict(call))


def call_of(body: str) -> Call:
    """Raises ValueError for what is no call."""
    data = json.loads(body)
    known = _known(Call, data)
    known["notice"] = notice_of(data["notice"])
    known["heard"] = tuple(Heard(**_known(Heard, h)) for h in data.get("heard", ()))
    return Call(**known)


def telling_json(telling: Telling, by: By) -> str:
    """The body of a mail's row. Fields that say nothing are left out."""
    empty = Telling("news", "", "", ())
    data = {k: v for k, v in asdict(telling).items() if v != getattr(empty, k) or k in ("why", "name", "address")}
    return _plain({"telling": data, "by": by})


def telling_of(body: str) -> tuple[Telling, By] | None:
    """The telling in a row, None where the row holds a bare notice, as earlier versions wrote them."""
    data = json.loads(body)
    if not isinstance(data, dict) or not isinstance(data.get("telling"), dict):
        return None
    t = data["telling"]
    known = _known(Telling, t)
    known["notices"] = tuple(notice_of(n) for n in t.get("notices", ()))
    known["told"] = tuple(Told(**_known(Told, x)) for x in t.get("told", ()))
    if t.get("next_told"):
        known["next_told"] = Told(**_known(Told, t["next_told"]))
    if t.get("daily"):
        known["daily"] = _daily(t["daily"])
    known = {k: tuple(v) if isinstance(v, list) else v for k, v in known.items()}
    return Telling(**known), data.get("by", "")


def _daily(data: Mapping[str, Any]) -> Daily:
    known = _known(Daily, data)
    known["boilers"] = tuple(BoilerDay(**_known(BoilerDay, b)) for b in data.get("boilers", ()))
    known["figures"] = tuple((str(k), str(v)) for k, v in data.get("figures", ()))
    for key in ("standing", "over", "due"):
        known[key] = tuple(known.get(key, ()))
    return Daily(**known)


def _known(what: type, data: Any) -> dict[str, Any]:
    if not isinstance(data, dict):
        raise ValueError(f"wants an object for {what.__name__}; found {str(data)[:80]!r}")
    names = {f.name for f in fields(what)}
    return {k: v for k, v in data.items() if k in names}
