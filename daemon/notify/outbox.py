"""Notices as they are stored: one row each, in the same transaction as the alarm itself.

Pure. May import: config, daemon.core, daemon.alarms.kinds. Imports nothing of the mail libraries: the service calls
this inside its loop.
"""

from __future__ import annotations

import json
from dataclasses import asdict, fields
from typing import Any, Final

from config.model import Plant
from daemon.alarms.kinds import KINDS
from daemon.core.outcome import MailRow, Notice, NoticeRow

_EMPTY: Final[dict[str, Any]] = {
    "occurrence": 0,
    "event": "note",
    "target": "",
    "kind": "",
    "name": "",
    "priority": "medium",
    "at_ms": 0,
    "since_ms": 0,
    "value": None,
    "limit": None,
    "unit": "",
    "evidence": "",
    "quality": "",
    "state": "",
}


def notice_key(notice: Notice) -> str:
    """What makes a second row of the same notice impossible."""
    return notice.key or "/".join(
        (notice.target, notice.kind, notice.name, str(notice.occurrence), notice.event, str(notice.at_ms))
    )


def is_mailed(notice: Notice) -> bool:
    """Whether its kind is told by mail; a kind of a later version is."""
    kind = KINDS.get(notice.kind)
    return kind is None or kind.mails


def notice_row(notice: Notice, *, direct: bool = False) -> NoticeRow:
    """The row of a notice. `direct`: its mails went from memory already."""
    return NoticeRow(notice_key(notice), notice.at_ms, to_json(notice), direct)


def outbox_rows(notice: Notice, plant: Plant) -> list[MailRow]:
    """A mail to each address of the plant file, for when nothing can be stored; none for a kind that does not mail.

    The key holds notice and address, so that the store refuses a second row of the same mail.
    """
    if not is_mailed(notice):
        return []
    body, key = to_json(notice), notice_key(notice)
    addresses = dict.fromkeys(p.mail for p in plant.persons)
    return [MailRow(f"{key}>{address}", address, notice.at_ms, body) for address in addresses]


def to_json(notice: Notice) -> str:
    """A notice as it is stored in a row."""
    return json.dumps(asdict(notice), ensure_ascii=True, separators=(",", ":"), sort_keys=True)


def from_json(body: str) -> Notice:
    """The notice of a stored row, of an older or newer version of the program too.

    Raises ValueError when the body is no notice at all.
    """
    return notice_of(json.loads(body))


def notice_of(data: object) -> Notice:
    """The same, from what the JSON holds."""
    if not isinstance(data, dict) or "kind" not in data:
        raise ValueError(f"a stored mail wants a notice with a kind; found {str(data)[:80]!r}")
    known = {f.name for f in fields(Notice)}
    data = _EMPTY | {k: v for k, v in data.items() if k in known}
    data["held_back"] = tuple(data.get("held_back") or ())
    return Notice(**data)
