"""A recorded day of the creamery in a real store, and what the engine knew after some of its polls."""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from daemon.app.stepping import advance
from daemon.core.outcome import Derived, GroupOutcome
from daemon.core.scan import Group
from daemon.engine import State
from tests.support.creamery_store import fill
from tests.support.recordings import creamery, groups

HOURS, EVERY_S = 24.0, 30
LOOKS = 12


@dataclass
class Look:
    """The engine after one poll: its state, and the last value of each derived tag with the time it came."""

    group: Group
    state: State
    outcome: GroupOutcome
    last: dict[int, tuple[Derived, int]] = field(default_factory=dict)


@cache
def day() -> tuple[Path, tuple[Look, ...]]:
    """The store, and looks at random polls of the day: the first, the last and others. Do not write to the store."""
    recording = groups(HOURS, EVERY_S)
    chosen = set(random.Random(7).sample(range(1, len(recording) - 1), LOOKS - 2)) | {0, len(recording) - 1}
    path = Path(mkdtemp(prefix="waterside-day-")) / "waterside.db"
    asyncio.run(fill(path, recording))
    plant, state, looks = creamery().plant, None, []
    last: dict[int, tuple[Derived, int]] = {}
    for k, group in enumerate(recording):
        state, outcome = advance(state, group, lambda version: plant)
        last |= {d.tag: (d, group.at_ms) for d in outcome.derived}
        if k in chosen:
            looks.append(Look(group, state, outcome, dict(last)))
    return path, tuple(looks)
