"""Wire time: always real. The only place in `drivers` that reads a clock or sleeps."""

from __future__ import annotations

import asyncio
import time


def now() -> float:
    """Real monotonic seconds."""
    return time.monotonic()


async def pause(seconds: float) -> None:
    """Sleep on the event loop."""
    if seconds > 0:
        await asyncio.sleep(seconds)


def pause_until(instant: float) -> None:
    """Sleep a thread until `now()` has reached `instant`."""
    wait = instant - time.monotonic()
    if wait > 0:
        time.sleep(wait)


def wall_ns() -> int:
    """The wall clock, ns since 1970 UTC: what a capture's lines are dated by."""
    return time.time_ns()
