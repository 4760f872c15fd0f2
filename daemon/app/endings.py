"""Why the run before this one ended: what a service leaves behind when it is stopped in order, and what its lack tells.

May import: daemon.core, daemon.store, daemon.app.gaps.
"""

from __future__ import annotations

from daemon.app.gaps import BOOTED, ENDED, STOPPED
from daemon.core.clock import Clock, up_s
from daemon.store.records import Dealt, Last
from daemon.store.writer import Writer

_KEY = "stopped"


async def note_stop(writer: Writer, clock: Clock) -> None:
    """The last group of this run is followed by no other: it was stopped, and the next start says so."""
    last = await writer.last()
    if last is not None:
        await writer.deal(Dealt(kept={_KEY: str(last.number)}), clock.now_ms())


async def why_ended(writer: Writer, clock: Clock, last: Last | None) -> str:
    """Why nothing was watched before this run, as far as it is known; "" where there was no run."""
    if last is None:
        return ""
    if (await writer.to_deal()).kept.get(_KEY) == str(last.number):
        return STOPPED
    up = up_s()
    booted = up is not None and clock.speed == 1 and clock.now_ms() - up * 1000 > last.at_ms
    return BOOTED if booted else ENDED
