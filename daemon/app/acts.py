"""What a person can do by the letterbox, and the fields of each act that are kept: `daemon.engine.acts` applies them.

Pure. May import: daemon.engine.
"""

from __future__ import annotations

from typing import Final

from daemon.engine.calibrating import CALIBRATE_FIELDS
from daemon.engine.dialling import DIAL_FIELDS

ACTS: Final[dict[str, tuple[str, ...]]] = {
    "ack": ("occurrence", "way"),
    "release": ("occurrence",),
    "calibrate": CALIBRATE_FIELDS,
    "dial": DIAL_FIELDS,
    "note": ("text", "target"),
    "loop_check": ("channel", "tag", "driven_by", "steps", "summary"),
    "out": ("target", "until_ms", "why", "drained"),
    "back": ("target", "why"),
    "word": ("target", "state", "until_ms", "why"),
    "hand": ("target", "what", "from_ms", "until_ms", "why"),
    "shelve": ("occurrence", "until_ms", "why"),
    "unshelve": ("occurrence",),
    "enter": ("target", "what", "value", "unit", "taken_ms", "method", "note", "withdraws", "why", "was"),
}
"""The kinds of act, with their fields; whatever else a request holds is dropped."""
