"""The engine's state at start: the newest snapshot, and the groups stored after it stepped again.

May import: config, daemon.core, daemon.engine, daemon.store. A journal that comes out otherwise than it was stored is
a finding, recorded in the store and told in the log; what was stored stands.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Final

from config.load import loads
from config.model import Plant
from daemon.app.stepping import advance
from daemon.core.tags import derived_tags
from daemon.engine import FORMAT, SnapshotError, State, restore
from daemon.engine.lifting import lifted
from daemon.store.writer import Writer

log = logging.getLogger("waterside.resume")

REBUILD_GROUPS: Final = 60_000
"""How many stored groups a state without a usable snapshot is rebuilt from: days of a plant polled every 10 s."""


@dataclass(slots=True)
class Resumed:
    """The state after the last stored group, None in an empty store; what was found on the way."""

    state: State | None
    stepped: int = 0
    differing: int = 0


class Plants:
    """Plants by version, read from the store once each."""

    def __init__(self, writer: Writer) -> None:
        self._writer = writer
        self._known: dict[int, Plant] = {}

    def __call__(self, version: int) -> Plant:
        return self._known[version]

    def learn(self, version: int, plant: Plant) -> None:
        """A plant whose version is known already."""
        self._known[version] = plant

    async def fetch(self, version: int) -> Plant:
        """The plant of a version, from its stored text."""
        if version not in self._known:
            text = await self._writer.plant_text(version)
            self._known[version] = loads(text, f"plant version {version}", rules=False).plant
        return self._known[version]


async def resume(writer: Writer, plants: Plants) -> Resumed:
    """Bring the engine to where the store ends."""
    found = Resumed(None)
    after = 0
    snapshot = await writer.newest_snapshot()
    if snapshot is not None:
        try:
            if snapshot.format != FORMAT:
                raise SnapshotError(f"the stored state has format {snapshot.format}, this program {FORMAT}")
            found.state = restore(await plants.fetch(snapshot.plant), snapshot.body)
            after = snapshot.group
        except SnapshotError as e:
            log.warning("%s; it is rebuilt from the stored groups", e)
            await writer.add_event("snapshot unusable", str(e), 0)
    if found.state is None and (last := await writer.last()) is not None:
        after = max(0, last.number - REBUILD_GROUPS)
    totals: dict[str, float] | None = {} if found.state is None and after else None
    async for stored in writer.groups_after(after):
        plant = await plants.fetch(stored.group.plant)
        if totals is not None and stored.derived:
            tags = derived_tags(plant)
            totals |= {tags[d.tag].name: d.value for d in stored.derived if tags[d.tag].what in ("total", "mass")}
        found.state, outcome = advance(found.state, stored.group, plants)
        found.stepped += 1
        if outcome.journal != stored.journal and snapshot is not None:
            found.differing += 1
            await writer.add_event(
                "journal differs",
                f"group {stored.group.number}: stored {len(stored.journal)} entries, stepping again gives "
                f"{len(outcome.journal)} or other ones",
                stored.group.at_ms,
            )
    if totals and found.state is not None:  # from the middle of the log on, meters counted from 0
        found.state = lifted(found.state, totals)
    return found
