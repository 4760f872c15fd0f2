"""What registers that reading clears held in groups that were dropped: it is stored with the next group instead.

Such a count is in one group and in no other, and the total already has it when its group is dropped. Put into the next
group of its module, the stored counts still add up to the total. Pure. May import: config, daemon.core.
"""

from __future__ import annotations

from dataclasses import replace

from config.model import Plant
from daemon.core.scan import Group, Scan

_MOST = {"u16": 0xFFFF, "s16": 0x7FFF, "u32": 0xFFFF_FFFF, "s32": 0x7FFF_FFFF, "u64": 0xFFFF_FFFF_FFFF_FFFF}


class Increments:
    """Counts on their way from dropped groups to a later one, by module and channel name."""

    def __init__(self) -> None:
        self._held: dict[tuple[str, str], int] = {}

    @property
    def held(self) -> bool:
        """Whether anything is left to be stored."""
        return bool(self._held)

    def keep(self, plant: Plant, group: Group) -> None:
        """A group that will not be stored."""
        for scan in group.scans:
            module, cleared = plant.modules[scan.module].name, _cleared(plant)[scan.module]
            for place, name, _ in cleared:
                if count := scan.counts[place]:
                    key = module, name
                    self._held[key] = self._held.get(key, 0) + int(count)

    def put(self, plant: Plant, group: Group) -> Group:
        """A group that will be stored, already stepped: with what is held, as far as its counts have room for it."""
        if not self._held:
            return group
        return replace(group, scans=tuple(self._filled(plant, scan) for scan in group.scans))

    def _filled(self, plant: Plant, scan: Scan) -> Scan:
        counts = list(scan.counts)
        module = plant.modules[scan.module].name
        for place, name, most in _cleared(plant)[scan.module]:
            here, held = counts[place], self._held.get((module, name), 0)
            if here is None or not held:
                continue
            taken = min(held, most - int(here))
            counts[place] = int(here) + taken
            self._held[module, name] = held - taken
        self._held = {k: n for k, n in self._held.items() if n}
        return replace(scan, counts=tuple(counts))


def _cleared(plant: Plant) -> tuple[tuple[tuple[int, str, int], ...], ...]:
    """For each module its whole-number channels that reading clears: place, name, the most a count of it holds."""
    return tuple(
        tuple(
            (place, name, _MOST[c.type])
            for place, (name, c) in enumerate(m.channels.items())
            if c.type in _MOST and any(a.touches(c.function, c.address, c.end) for a in m.clear_on_read)
        )
        for m in plant.modules
    )
