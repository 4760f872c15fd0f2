"""Plant time: the only place in `daemon` that reads a clock or sleeps by it.

Plant time drives the grid, the engine, schedules, retries of mail and mail dates. It may run fast (the demo) or by
hand (tests). `elapsed` is monotonic plant seconds in this run; `now_ms` is plant time as UTC.
"""

from __future__ import annotations

import asyncio
import time
from typing import Protocol


class Clock(Protocol):
    """Plant time as handed to whoever needs it."""

    speed: float

    def elapsed(self) -> float:
        """Monotonic plant seconds since this run began."""
        ...

    def now_ms(self) -> int:
        """Plant time, ms UTC since 1970."""
        ...

    async def sleep_until(self, elapsed: float) -> None:
        """Sleep until `elapsed()` has reached a value."""
        ...


class SystemClock:
    """Real time."""

    speed = 1.0

    def __init__(self) -> None:
        self._start = time.monotonic()

    def elapsed(self) -> float:
        return time.monotonic() - self._start

    def now_ms(self) -> int:
        return time.time_ns() // 1_000_000

    async def sleep_until(self, elapsed: float) -> None:
        await asyncio.sleep(max(0.0, elapsed - self.elapsed()))


class FastClock:
    """Plant time at `speed` times real time, from `start_ms` (UTC ms) on. `origin` is a time.monotonic() reading."""

    def __init__(self, speed: float, start_ms: int, origin: float | None = None) -> None:
        if speed <= 0:
            raise ValueError(f"speed wants a number above 0; found {speed:g}")
        self.speed, self._start_ms = speed, start_ms
        self._origin = time.monotonic() if origin is None else origin

    def elapsed(self) -> float:
        return (time.monotonic() - self._origin) * self.speed

    def now_ms(self) -> int:
        return self._start_ms + round(self.elapsed() * 1000)

    async def sleep_until(self, elapsed: float) -> None:
        await asyncio.sleep(max(0.0, elapsed - self.elapsed()) / self.speed)


def monotonic() -> float:
    """Real monotonic seconds: for the watchdog, sockets and the time a commit takes."""
    return time.monotonic()


async def pause(seconds: float) -> None:
    """Sleep real seconds: screens, watchdogs and other things that are not of the plant."""
    await asyncio.sleep(seconds)


def up_s() -> float | None:
    """How many seconds ago this PC was started, None where it does not tell."""
    from pathlib import Path

    try:
        return float(Path("/proc/uptime").read_text("ascii").split()[0])
    except (OSError, ValueError, IndexError):
        return None


def synchronised() -> bool | None:
    """Does the system say that its clock is kept by a time server? None when it does not tell."""
    import ctypes
    from pathlib import Path

    kept = Path("/run/systemd/timesync")
    if (kept / "synchronized").exists():
        return True
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(1024))  # asks only: nothing is set
    except (OSError, AttributeError):
        state = -1
    if state >= 0:
        return bool(state != 5)  # TIME_ERROR: not synchronised
    return False if kept.exists() else None
