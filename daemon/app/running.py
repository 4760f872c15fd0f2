"""`run` and `demo`: the service in the foreground, with the live table where there is a terminal.

May import: config, daemon.app. Imports nothing heavy before the first poll.
"""

from __future__ import annotations

import asyncio
import gc
import logging
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from config.load import PlantFileError, PlantText, load

if TYPE_CHECKING:
    from daemon.app.service import Service

log = logging.getLogger("waterside")


def read_plant(file: str) -> PlantText | None:
    """The plant file, or None after every error in it was printed."""
    try:
        return load(Path(file))
    except PlantFileError as e:
        print(e, file=sys.stderr)
        n = len(e.findings)
        print(f"{n} error{'s' if n > 1 else ''} in the plant file; nothing was started.", file=sys.stderr)
    except OSError as e:
        print(f"{file}: {e.strerror}. Give the path of a plant file.", file=sys.stderr)
    return None


def run_plant(
    file: str,
    store: Path | None = None,
    ledger_fd: int | None = None,
    *,
    live: bool = False,
    capture: Path | None = None,
) -> int:
    """`waterside run`: watch a plant until SIGTERM. Returns the exit code."""
    from daemon.app import logs
    from daemon.app.service import Service, default_options

    source = read_plant(file)
    if source is None:
        return 1
    logs.set_up(quiet=live)
    options = replace(default_options(source.plant, store), ledger_fd=ledger_fd, capture=capture)
    service = Service(source, options)
    _look_for_claims(service)
    if source.plant.mail is None:
        print(f"No [mail] in the plant file: mails are written to {options.outbox.resolve()}", flush=True)
    gc.freeze()  # what is loaded stays: no later search for garbage goes through it
    gc.enable()
    return _serve(service, live=live)


def _look_for_claims(service: Service) -> None:
    """Log foreign claims on our names, once the first group is stored: the search takes as long as the first poll."""

    def tell() -> None:
        from daemon.app.names import foreign_claims

        for claim in foreign_claims():
            log.error("%s", claim)

    def first(group: object, outcome: object) -> None:
        forget()
        asyncio.get_running_loop().run_in_executor(None, tell)

    forget = service.on_stored(first)


def run_demo(speed: float, folder: Path, *, keep: bool = False, live: bool = True) -> int:
    """`waterside demo`: the boiler house and the service, at speed. Returns the exit code.

    Each demo begins anew; with `keep` it goes on with the store of the last one, as after a restart.
    """
    from daemon.app import logs
    from daemon.app.demo import DemoError, boiler_house
    from daemon.app.service import Options, Service
    from daemon.core.clock import FastClock
    from drivers.demo.scenario import DEFAULT_START_MS

    logs.set_up(quiet=True)
    begin = DEFAULT_START_MS
    store = folder / "waterside.db"
    if keep:
        begin = _stored_until(store) or begin
    else:
        _clear(folder)
    try:
        with boiler_house(speed, begin, folder) as house:
            source = load(house.plant_file)
            options = Options(
                store=store,
                clock=FastClock(speed, house.start_ms, house.origin),
                outbox=folder / "outbox",
                demo_speed=speed,
            )
            print(f"Quillmarsh Creamery, a demo at {speed:g} times real time. Ctrl-C ends it.")
            print(f"Plant file: {house.plant_file.resolve()}\nStore: {options.store.resolve()}")
            print(f"Mails are written to {options.outbox.resolve()}", flush=True)
            return _serve(Service(source, options), live=live)
    except DemoError as e:
        print(e, file=sys.stderr)
        return 1


def _stored_until(store: Path) -> int | None:
    from daemon.store.reader import Reader

    if not store.exists():
        return None
    with Reader(store) as reader:
        last = reader.last()
    return last.at_ms + 1000 if last else None


def _clear(folder: Path) -> None:
    """Remove what an earlier demo left: its store and mails, nothing else in the folder."""
    from daemon.store.lock import locked

    if locked(folder / "waterside.db"):
        return  # another demo runs on it: opening the store will say so
    for file in (*folder.glob("waterside.db*"), *(folder / "outbox").glob("*.eml")):
        file.unlink(missing_ok=True)


def _serve(service: Service, *, live: bool) -> int:
    from daemon.app.letterbox import Busy
    from daemon.store.errors import StoreError

    async def both() -> None:
        if not live:
            await service.run()
            return
        from daemon.app.live import attach

        show = attach(service)
        async with asyncio.TaskGroup() as tasks:
            screen = tasks.create_task(show())
            await service.run()
            screen.cancel()

    code = 0
    try:
        asyncio.run(both())
    except* (StoreError, Busy, OSError) as group:
        for e in group.exceptions:
            print(f"The service did not start or go on: {e}", file=sys.stderr)
        code = 1
    return code
