"""A real store with mails in it, a sender on it, and the lines of [mail] for it."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from config.model import Plant
from daemon.core.clock import Clock
from daemon.core.outcome import Notice
from daemon.core.scan import Group
from daemon.notify.outbox import outbox_rows
from daemon.notify.sender import Sender
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.support.clock import HandClock
from tests.support.mailserver import (
    PASSWORD,
    USER,
    Certificates,
    until,
)
from tests.support.notices import AT_MS, PLANT, outcome


@dataclass
class Post:
    """A store with mails in it and a sender on it."""

    writer: Writer
    path: Path
    plant: Plant
    folder: Path
    clock: Clock
    told: list[str] = field(default_factory=list)
    sender: Sender = field(init=False)
    groups: int = 0

    def __post_init__(self) -> None:
        self.sender = self.new_sender()

    def new_sender(self, **more: Any) -> Sender:
        async def on_trouble(text: str) -> None:
            self.told.append(text)

        return Sender(self.writer, self.plant, self.clock, self.folder, on_trouble=on_trouble, **more)

    async def store(self, *notices: Notice) -> None:
        """One group with these notices, and their mails."""
        self.groups += 1
        group = Group(self.groups, AT_MS + self.groups, self.groups, 1, 1, ())
        rows = [row for n in notices for row in outbox_rows(n, self.plant)]
        await self.writer.commit(self.plant, group, outcome(self.groups, *notices), rows)
        self.sender.wake()

    def mails(self) -> list[Any]:
        reader = Reader(self.path)
        try:
            return list(reader.mails())
        finally:
            reader.close()

    def states(self) -> list[str]:
        return [m.state for m in self.mails()]

    async def settled(self, count: int) -> None:
        """Wait until so many mails do not wait any more."""
        await until(lambda: sum(s != "waiting" for s in self.states()) >= count, f"{count} mails of {self.mails()}")


@contextlib.asynccontextmanager
async def post(
    tmp_path: Path, site: Plant, clock: Clock | None = None, writer: type[Writer] = Writer, **more: Any
) -> AsyncIterator[Post]:
    path = tmp_path / "store.db"
    w = await writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0, durable=False)
    try:
        await w.add_plant_version(PLANT, hashlib.sha256(PLANT.encode()).hexdigest(), AT_MS)
        await w.open_segment("run", 0, AT_MS, "start")
        out = Post(w, path, site, tmp_path / "outbox", clock or HandClock(AT_MS))
        if more:
            out.sender = out.new_sender(**more)
        yield out
    finally:
        await w.aclose()


@contextlib.asynccontextmanager
async def running(sender: Sender) -> AsyncIterator[None]:
    task = asyncio.create_task(sender.run())
    try:
        yield
        await sender.stop(10)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def steps(clock: HandClock, true: Callable[[], Any], what: str) -> float:
    """Move plant time on, 10 s at a time, until something is so; gives how far."""
    begun = clock.elapsed()
    for _ in range(2000):
        if true():
            return clock.elapsed() - begun
        await clock.forward(10)
        await asyncio.sleep(0.01)
    raise AssertionError(f"waited in vain for {what}")


def server(port: int, security: str = "none", *more: str) -> str:
    lines = (f'server = "localhost"\nport = {port}\nsecurity = "{security}"\nsender = "waterside@quillmarsh.example"',)
    return "\n".join((*lines, *more))


def login(folder: Path, password: str = PASSWORD) -> tuple[str, str]:
    (folder / "password").write_text(password + "\n", "utf-8")
    return f'user = "{USER}"', f'password_file = "{folder / "password"}"'


def trusting(c: Certificates) -> str:
    return f'ca_file = "{c.ca}"'
