"""Beside the polls: minutes, hours and days that are missing are worked out (after an upgrade, say), old minutes go.

May import: daemon.core.clock, daemon.store.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from typing import Final

from daemon.core.clock import monotonic, pause
from daemon.store.errors import StoreError
from daemon.store.writer import Writer

log = logging.getLogger("waterside.averages")

SHARE: Final = 0.2  # of the time of the connection's thread, so that no commit waits for long
AGAIN_S: Final = 60.0  # after a failure
THIN_EVERY_S: Final = 86_400.0
MINUTE_S: Final = 60.0


async def work_out(writer: Writer, keep_minutes_s: Callable[[], float]) -> None:
    """Work out what is missing, then let go of old minutes once a day. A store that refuses is asked again."""
    if await _slices(writer.mend_figures, "worked out"):
        log.info("minutes, hours and days of earlier polls are worked out")
    while True:
        await _slices(lambda: writer.thin_minutes(round(keep_minutes_s() / MINUTE_S)), "let go of")
        await pause(THIN_EVERY_S)


async def _slices(slice_of: Callable[[], Awaitable[bool]], what: str) -> int:
    """Slice after slice until none is left; how many there were."""
    done = 0
    while True:
        before = monotonic()
        try:
            if not await slice_of():
                return done
            done += 1
        except StoreError as e:
            log.error("Averages of earlier polls cannot be %s: %s `waterside doctor` says more.", what, e)
            await pause(AGAIN_S)
        await pause((monotonic() - before) * (1 / SHARE - 1))
