"""What every act has to do with: the group on its way through the step, and a line in the journal.

Pure. May import: config, daemon.core, daemon.measure, daemon.alarms, the engine's state.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, Protocol

from daemon.core.outcome import Calibration, Entry, ManualReading
from daemon.core.scan import Act, Group
from daemon.engine.state import Cells, Programme

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

    def let_go(self, occurrence: int, by: str) -> str:
        """Let go of the record of a latched alarm; "" when done, else why not."""
        ...

    def put_aside(self, alarm: int, by: str, text: str) -> bool:
        """Shelve an alarm (index in the programme); True when its state changed."""
        ...

    def take_up(self, alarm: int, by: str, text: str) -> None:
        """Shelved no more: judged anew, and raised again while its condition is there."""
        ...

    def explained(self, alarm: int, text: str) -> None:
        """What an alarm was found by is explained: it returns, and is judged anew."""
        ...


Apply = Callable[[Doing, Act], str]


def noted(doing: Doing, act: Act, kind: str, target: str, text: str) -> None:
    """One line in the journal about an act."""
    doing.journal.append(
        Entry(doing.group.at_ms, 0, target, kind, "", "note", "", "", evidence=text[:LONGEST], by=act.by)
    )
