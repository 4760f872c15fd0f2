"""Minutes, hours and days that are missing in the store are worked out beside the polls: after an upgrade, say.

May import: daemon.core.clock, daemon.store.
"""

from __future__ import annotations

import logging
from typing import Final

from daemon.core.clock import monotonic, pause
from daemon.store.errors import StoreError
from daemon.store.writer import Writer

log = logging.getLogger("waterside.averages")

SHARE: Final = 0.2  # of the time of the connection's thread, so that no commit waits for long
AGAIN_S: Final = 60.0  # after a failure


async def work_out(writer: Writer) -> None:
    """Work until nothing is missing. A store that refuses is asked again; a fault of the program ends it."""
    begun = False
    while True:
        before = monotonic()
        try:
            if not await writer.mend_figures():
                break
            if not begun:
                begun = True
                log.info("minutes, hours and days of earlier polls are being worked out")
        except StoreError as e:
            log.error("Averages of earlier polls cannot be worked out: %s `waterside doctor` says more.", e)
            await pause(AGAIN_S)
        await pause((monotonic() - before) * (1 / SHARE - 1))
    if begun:
        log.info("minutes, hours and days of earlier polls are worked out")
