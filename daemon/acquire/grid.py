"""When each module is due: multiples of its interval, counted from the start of the run.

Pure: knows no clock, is told the time. Whole milliseconds since the origin, so that an instant never drifts and two
modules that are due together are due at the same number. Imports nothing of ours.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

HEARTBEAT_MS = 10_000


@dataclass(frozen=True, slots=True)
class Instant:
    """One instant of the grid: ms since the origin and the modules due at it, in plant-file order (none: heartbeat)."""

    ms: int
    modules: tuple[int, ...]


class Grid:
    """The instants of modules polled every `intervals_ms[i]` ms; the first is at `start_ms` or the next multiple."""

    def __init__(self, intervals_ms: Iterable[int], start_ms: int = 0, heartbeat_ms: int = HEARTBEAT_MS) -> None:
        classes: dict[int, list[int]] = {}
        for module, every in enumerate(intervals_ms):
            if every < 1:
                raise ValueError(f"an interval wants at least 1 ms; found {every}")
            classes.setdefault(every, []).append(module)
        self._classes = {every: tuple(modules) for every, modules in classes.items()}
        self._next = {every: -(-start_ms // every) * every for every in classes}
        self._heartbeat_ms = heartbeat_ms
        self._heartbeat = start_ms + heartbeat_ms

    def next_ms(self) -> int:
        """The next instant, ms since the origin."""
        return min(min(self._next.values(), default=self._heartbeat), self._heartbeat)

    def take(self, now_ms: int) -> tuple[tuple[Instant, ...], int]:
        """The instants up to `now_ms` that were not taken yet, in order, and how many polls came too late.

        Of several instants of one module only the last is kept: what is past cannot be read any more.
        """
        due: dict[int, tuple[int, ...]] = {}
        skipped = 0
        for every, at in self._next.items():
            if at > now_ms:
                continue
            last = now_ms // every * every
            modules = self._classes[every]
            skipped += (last - at) // every * len(modules)
            due[last] = modules if last not in due else tuple(sorted(due[last] + modules))
            self._next[every] = last + every
        if not due and self._heartbeat <= now_ms:
            due[now_ms - (now_ms - self._heartbeat) % self._heartbeat_ms] = ()
        instants = tuple(Instant(ms, due[ms]) for ms in sorted(due))
        if instants:
            past = now_ms - instants[-1].ms  # a heartbeat that is past, too, is left out
            self._heartbeat = instants[-1].ms + (past // self._heartbeat_ms + 1) * self._heartbeat_ms
        return instants, skipped
