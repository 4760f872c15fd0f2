"""The picture of a mail, drawn by a process of its own: `python -m daemon.app.picturing`, ended after one picture.

It reads one line of JSON (store, notice, now_ms) and answers with one (the exhibit, its picture in base64, or null). At
low priority, the store read-only; a mail waits for it no longer than `LONGEST_S`, and goes without it where it fails.
May import: daemon.core, daemon.notify, daemon.store.
"""

from __future__ import annotations

import asyncio
import base64
import json
import logging
import os
import sys
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from daemon.core.clock import Clock
from daemon.notify.exhibit import Exhibit
from daemon.notify.telling import Telling

log = logging.getLogger("waterside.pictures")

LONGEST_S: Final = 20.0  # real seconds
KEPT: Final = 8
NO_PICTURE: Final = "The picture of the last hours could not be drawn in time; the log has the readings."


class Pictures:
    """Has pictures drawn, one at a time, and keeps the last few: the same alarm goes to several people."""

    def __init__(self, store: Path, clock: Clock) -> None:
        self._store, self._clock = store, clock
        self._kept: dict[tuple[str, int], Exhibit | None] = {}
        self._turn = asyncio.Lock()

    async def exhibit(self, telling: Telling) -> Exhibit | None:
        """What is shown beside a mail about one alarm; None where nothing is. Never raises."""
        if len(telling.notices) != 1 or telling.notices[0].target == "logger":
            return None
        notice = telling.notices[0]
        now_ms = self._clock.now_ms()
        key = (f"{notice.occurrence}.{notice.event}.{notice.at_ms}", now_ms // 60_000)
        async with self._turn:
            if key not in self._kept:
                given = {"store": str(self._store), "notice": asdict(notice), "now_ms": now_ms}
                try:
                    found = await _drawn(json.dumps(given).encode())
                except (OSError, ValueError, TimeoutError) as e:
                    log.warning("a mail goes without its picture: %s", e or "it took too long")
                    found = Exhibit(missing=NO_PICTURE)
                self._kept[key] = found
                while len(self._kept) > KEPT:
                    del self._kept[next(iter(self._kept))]
            return self._kept[key]


async def _drawn(given: bytes) -> Exhibit | None:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-P", "-m", "daemon.app.picturing"),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        async with asyncio.timeout(LONGEST_S):
            out, errors = await process.communicate(given)
    finally:
        if process.returncode is None:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    if process.returncode != 0:
        raise ValueError(errors.decode("utf-8", "replace").strip().splitlines()[-1:] or "its process failed")
    data = json.loads(out)
    if data is None:
        return None
    data["png"] = base64.b64decode(data["png"])
    data["numbers"] = tuple((str(k), str(v)) for k, v in data["numbers"])
    data["costs"] = tuple(map(str, data["costs"]))
    return Exhibit(**data)


def main() -> None:
    """Draw one picture."""
    from daemon.notify.looking import look
    from daemon.notify.outbox import notice_of
    from daemon.store.reader import Reader

    os.nice(10)
    given: dict[str, Any] = json.loads(sys.stdin.read())
    with Reader(Path(given["store"])) as reader:
        found = look(reader, notice_of(given["notice"]), int(given["now_ms"]))
    data = None
    if found is not None:
        data = {**asdict(found), "png": base64.b64encode(found.png).decode()}
    print(json.dumps(data))


if __name__ == "__main__":
    main()
