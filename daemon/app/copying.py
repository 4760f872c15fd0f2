"""The service's side of the copy to a central server: keeps its process, its cursor, and what is told of it.

May import: config, daemon.core, daemon.store, daemon.app. The process (`copy_child`) reads the store and talks to the
server; here is only what is written: how far it has come, once a minute at most. What was sent after the last note is
sent again after a crash, and is the same.
"""

from __future__ import annotations

import asyncio
import json
import logging
import sys
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import Any, Final

from config.model import Copy, Plant
from daemon.core.clock import Clock
from daemon.store.errors import StoreError
from daemon.store.records import Cursor
from daemon.store.writer import Writer

log = logging.getLogger("waterside.copy")

NOTE_S: Final = 60.0
AGAIN_S: Final = 30.0  # after its process has ended by itself
END_S: Final = 5.0

Report = Callable[[bool, str, float | None, float | None], Awaitable[None]]


def copy_name(plant: Plant) -> str:
    """What the plant is called at the central server: as written in [copy], else its name in small letters."""
    given = plant.copy_to.name if plant.copy_to else ""
    return given or "-".join("".join(c if c.isalnum() else " " for c in plant.plant.name.lower()).split())


def destination(copy: Copy) -> str:
    """Where the copy goes, for the cursor: another place begins from the oldest poll that is stored."""
    return " ".join(filter(None, (copy.url, copy.org, copy.bucket)))


class Copying:
    """Runs for as long as the service does; `use` after a reload. `report` is told when the copy is late or refused."""

    def __init__(self, writer: Writer, plant: Plant, clock: Clock, report: Report) -> None:
        self._writer, self._plant, self._clock, self._report = writer, plant, clock, report
        self._changed = asyncio.Event()
        self._noted = -NOTE_S
        self._at_ms = 0  # date of the last poll taken
        self._trouble = ""
        self._refused = False

    def use(self, plant: Plant) -> None:
        """The plant file was reloaded."""
        if plant.copy_to != self._plant.copy_to or copy_name(plant) != copy_name(self._plant):
            self._changed.set()
        self._plant = plant

    async def run(self) -> None:
        """Keep the process going until cancelled."""
        while True:
            self._changed.clear()
            copy = self._plant.copy_to
            if copy is None:
                await self._report(False, "no copy is wanted any more", None, None)
                await self._changed.wait()
                continue
            try:
                await self._process(copy)
            except (OSError, StoreError) as e:
                log.error("the copy to %s stands still: %s", copy.url, e)
            if not self._changed.is_set():
                await self._clock.sleep_until(self._clock.elapsed() + AGAIN_S)

    async def _process(self, copy: Copy) -> None:
        """One life of the process: until it ends, the plant file changes, or the service stops."""
        where = destination(copy)
        cursor = await self._writer.copy_cursor(where)
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-m", "daemon.app.copy_child"),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
        )
        assert process.stdin is not None and process.stdout is not None
        given = {
            "store": str(self._writer.path),
            "name": copy_name(self._plant),
            "copy": copy.model_dump(mode="json"),
            "every_s": copy.every,
            "group": cursor.group,
            "corrections": cursor.corrections,
        }
        latest = cursor
        changed = asyncio.create_task(self._changed.wait())
        try:
            process.stdin.write(json.dumps(given).encode() + b"\n")
            await process.stdin.drain()
            while not self._changed.is_set():
                reading = asyncio.create_task(process.stdout.readline())
                await asyncio.wait((reading, changed), return_when=asyncio.FIRST_COMPLETED)
                if not reading.done():
                    reading.cancel()
                    await asyncio.gather(reading, return_exceptions=True)
                    break
                text = reading.result()
                if not text:
                    log.error("the process that copies to %s ended; it is started again", copy.url)
                    break
                latest = await self._heard(json.loads(text), copy, where, latest)
        finally:
            changed.cancel()
            await self._end(process)
            with suppress(StoreError):
                await self._writer.copied(where, latest, self._clock.now_ms())

    async def _heard(self, said: dict[str, Any], copy: Copy, where: str, latest: Cursor) -> Cursor:
        if "group" in said:
            if self._trouble:
                log.info("the copy to %s goes on", copy.url)
            self._trouble, self._refused = "", False
            if said["at_ms"]:
                self._at_ms = int(said["at_ms"])
            latest = Cursor(int(said["group"]), int(said["corrections"]))
            if self._clock.elapsed() - self._noted >= NOTE_S:
                self._noted = self._clock.elapsed()
                await self._writer.copied(where, latest, self._clock.now_ms())
            await self._judge(copy, bool(said["lines"]))
        elif "trouble" in said:
            if said["trouble"] != self._trouble:
                log.error("the copy waits: %s", said["trouble"])
            self._trouble, self._refused = str(said["trouble"]), bool(said["refused"])
            await self._judge(copy, True)
        elif "left_out" in said:
            log.error("the central server will not take a line: %s", said["left_out"])
            await self._writer.add_event("copy", str(said["left_out"]), self._clock.now_ms())
        elif "skew_s" in said:
            side = "ahead of" if said["skew_s"] > 0 else "behind"
            text = f"the clock of {copy.url} is {abs(said['skew_s'])} s {side} ours"
            log.warning("%s: dates there and here do not agree", text)
            await self._writer.add_event("copy", text, self._clock.now_ms())
        return latest

    async def _judge(self, copy: Copy, behind: bool) -> None:
        """Late, or refused: told. Otherwise in order."""
        late_s = (self._clock.now_ms() - self._at_ms) / 1000 if self._at_ms and behind else 0.0
        late = late_s > copy.late
        text = self._trouble or f"{destination(copy)} has what is stored, but for the last {late_s:.0f} s"
        if late and not self._trouble:
            text = f"{destination(copy)} is {late_s / 3600:.1f} h behind and catches up"
        await self._report(self._refused or late, text, round(late_s, 1), copy.late)

    async def _end(self, process: asyncio.subprocess.Process) -> None:
        """Close its input; it ends by itself, or is ended."""
        assert process.stdin is not None
        with suppress(OSError):
            process.stdin.close()
        try:
            async with asyncio.timeout(END_S):
                await process.wait()
        except TimeoutError:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()
