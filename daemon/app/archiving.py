"""Once a plant day closed days leave the store: into files that are proven, recorded, and only then relied on.

Lives here: when that is due, and the order of the steps. May import: config, daemon.core, daemon.store. The work itself
runs in a process of its own (`putting_away.py`); the scheduler only wakes this room, plant time says whether anything
is due, and when it was done last stands in the store.

A run removes from the store what the run before put into files and what those files, read again now, still hold; then
it writes new files. So for a day every group lies in both, and whoever reads meanwhile finds it. A run that breaks off
anywhere is taken up by the next.
"""

from __future__ import annotations

import asyncio
import json
import logging
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from config.model import Plant
from daemon.core.clock import Clock, monotonic, pause
from daemon.core.plant_days import day_of
from daemon.store.archive.files import OLD, RECORDED, ArchiveFile, archive_folder, outlived, wrong_with
from daemon.store.errors import StoreError
from daemon.store.writer import Writer

log = logging.getLogger("waterside.archive")

JOB: Final = "archive"
FIRST_S: Final = 60.0  # real seconds after a start: polling comes first
LOOK_S: Final = 60.0  # real seconds between looks at plant time
AGAIN_S: Final = 3600.0  # after a failure
AT_MS: Final = 2 * 3_600_000  # after the plant's midnight
SHARE: Final = 0.2  # of the time of the connection's thread


class NotPutAway(Exception):
    """Nothing was lost and nothing removed; the text says why it did not go on."""


@dataclass(slots=True)
class Done:
    """What a run did."""

    put_away: list[ArchiveFile] = field(default_factory=list)
    removed_groups: bool = False
    given_up: list[str] = field(default_factory=list)


class Archiver:
    """The job of one service. `least`: the newest groups that always stay in the store, None: as usual."""

    def __init__(self, writer: Writer, plant: Callable[[], Plant], clock: Clock, least: int | None = None) -> None:
        self._writer, self._plant, self._clock, self._least = writer, plant, clock, least
        self._folder = archive_folder(writer.path)
        self._not_before = 0.0

    async def run(self) -> None:
        """Be woken until cancelled."""
        await pause(FIRST_S)
        from apscheduler.schedulers.asyncio import AsyncIOScheduler

        scheduler = AsyncIOScheduler(timezone=UTC)
        logging.getLogger("apscheduler").setLevel(logging.WARNING)
        woken = asyncio.Event()
        scheduler.add_job(woken.set, "interval", seconds=LOOK_S, coalesce=True, max_instances=1)
        scheduler.start()
        try:
            while True:
                await self.look()
                woken.clear()
                await woken.wait()
        finally:
            scheduler.shutdown(wait=False)

    async def look(self) -> None:
        """Do what is due. What goes wrong is told and tried again later."""
        if monotonic() < self._not_before:
            return
        try:
            if await self.due():
                await self.once()
        except (StoreError, NotPutAway, OSError) as e:
            self._not_before = monotonic() + AGAIN_S
            log.error("Closed days were not put away: %s It is tried again in an hour.", e)
            with suppress(StoreError):
                await self._writer.add_event("not put away", str(e), self._clock.now_ms())

    async def due(self) -> bool:
        """True when the job was not done yet on this plant day, which begins two hours after midnight here."""
        zone = ZoneInfo(self._plant().plant.zone)
        last = await self._writer.last_done(JOB)
        return last is None or day_of(last - AT_MS, zone) != day_of(self._clock.now_ms() - AT_MS, zone)

    async def once(self) -> Done:
        """One run. NotPutAway, StoreError, OSError: it broke off, and nothing is lost."""
        done = Done()
        begun = self._clock.now_ms()
        settings = self._plant().store
        free = self._writer.free_bytes() / 1e6
        if free < settings.low_space:
            raise NotPutAway(f"{free:.0f} MB are free, the limit is {settings.low_space:.0f} MB ([store] low_space).")
        await self._remove_proven(done)
        await self._write_new(done, settings.hot)
        await self._give_up(done, max(settings.keep, settings.hot))
        said = f"{len(done.put_away)} files written, {len(done.given_up)} given up"
        await self._writer.job_done(JOB, begun, said)
        return done

    # ------------------------------------------------------------------ steps

    async def _remove_proven(self, done: Done) -> None:
        """Groups that lie in whole files leave the store; then files that others have replaced leave the disk."""
        held, superseded = await self._writer.archive()
        waiting = await self._writer.waits_to_go()
        if waiting is not None:
            for file in held:
                low, high = max(waiting[0], file.first_group), min(waiting[1], file.last_group)
                if low <= high:
                    await self._whole(file)
                    await self._drop(low, high)
                    done.removed_groups = True
        for old in superseded:
            there = [p for p in (self._folder / old.name, self._folder / (old.name + OLD)) if p.exists()]
            if there:
                for file in held:
                    if file.first_group <= old.first_group and file.last_group >= old.last_group:
                        await self._whole(file)
                for path in there:
                    path.unlink(missing_ok=True)

    async def _whole(self, file: ArchiveFile) -> None:
        if why := await asyncio.to_thread(wrong_with, self._folder, file):
            raise NotPutAway(f"{why}. It holds {file.said}; `waterside doctor` says what to do.")

    async def _drop(self, low: int, high: int) -> None:
        while True:
            before = monotonic()
            if not await self._writer.drop_archived(low, high):
                return
            await pause((monotonic() - before) * (1 / SHARE - 1))

    async def _write_new(self, done: Done, hot_s: float) -> None:
        """Let the other process write file after file, and record each."""
        args = ["--store", str(self._writer.path), "--hot-s", str(hot_s), "--now-ms", str(self._clock.now_ms())]
        if self._least is not None:
            args += ["--least", str(self._least)]
        child = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-m", "daemon", "put-away", *args),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )
        assert child.stdin is not None
        assert child.stdout is not None
        assert child.stderr is not None
        telling = asyncio.create_task(child.stderr.read())
        try:
            while line := await child.stdout.readline():
                await self._record(done, _file(line))
                child.stdin.write(f"{RECORDED}\n".encode())
                with suppress(ConnectionError):
                    await child.stdin.drain()
            code = await child.wait()
            said = (await telling).decode(errors="replace").strip()
        finally:
            if child.returncode is None:
                child.terminate()
                await child.wait()
            child.stdin.close()
            telling.cancel()
            with suppress(asyncio.CancelledError):
                await telling
        if code:
            raise NotPutAway(said.splitlines()[-1] if said else f"the process that writes the files ended with {code}.")

    async def _record(self, done: Done, file: ArchiveFile) -> None:
        before, _ = await self._writer.archive()
        await self._writer.archived(file)
        done.put_away.append(file)
        for old in before:  # kept for a day under another name: somebody may be reading it
            if file.first_group <= old.first_group and old.last_group <= file.last_group:
                with suppress(FileNotFoundError):
                    (self._folder / old.name).rename(self._folder / (old.name + OLD))
        log.info("put away: %s, %.1f MB (%s)", file.said, file.bytes / 1e6, file.name)

    async def _give_up(self, done: Done, keep_s: float) -> None:
        """Files behind which enough was watched are recorded as given up, then removed."""
        held, _ = await self._writer.archive()
        old = outlived(held, round(keep_s * 1000))
        waiting = await self._writer.waits_to_go()
        names = [f.name for f in old if waiting is None or f.last_group < waiting[0]]
        if names:
            await self._writer.archive_removed(names, self._clock.now_ms())
            for name in names:
                Path(self._folder / name).unlink(missing_ok=True)
                log.info("%s is removed: the time to keep readings is over", name)
        done.given_up += names


def _file(line: bytes) -> ArchiveFile:
    try:
        return ArchiveFile(**json.loads(line))
    except (ValueError, TypeError) as e:
        raise NotPutAway(f"the process that writes the files said {line[:200]!r}.") from e
