"""What a person can do by the letterbox, and the fields of each act that are kept: `daemon.engine.acts` applies them.

Pure. May import: nothing of ours.
"""

from __future__ import annotations

from typing import Final

ACTS: Final[dict[str, tuple[str, ...]]] = {
    "ack": ("occurrence",),
    "note": ("text", "target"),
    "loop_check": ("channel", "tag", "driven_by", "steps", "summary"),
}
"""The kinds of act, with their fields; whatever else a request holds is dropped."""
