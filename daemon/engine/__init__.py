"""The engine: one pure step over groups of scans. See README.md."""

from daemon.engine.carry import carry
from daemon.engine.state import FORMAT, SnapshotError, State, dump, restore, start
from daemon.engine.step import step

__all__ = ["FORMAT", "SnapshotError", "State", "carry", "dump", "restore", "start", "step"]
