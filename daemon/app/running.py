"""`run` and `demo`: the service in the foreground, with the live table where there is a terminal.

May import: config, daemon.app. Imports nothing heavy before the first poll.
"""

from __future__ import annotations

import asyncio
import logging
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from config.load import PlantFileError, PlantText, load

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


def run_plant(file: str, store: Path | None = None, ledger_fd: int | None = None, *, live: bool = False) -> int:
    """`waterside run`: watch a plant until SIGTERM. Returns the exit code."""
    from daemon.app import logs
    from daemon.app.names import foreign_claims
    from daemon.app.service import Service, default_options

    source = read_plant(file)
    if source is None:
        return 1
    logs.set_up(quiet=live)
    for claim in foreign_claims():
        log.error("%s", claim)
    options = replace(default_options(source.plant, store), ledger_fd=ledger_fd)
    service = Service(source, options)
    if source.plant.mail is None:
        print(f"No [mail] in the plant file: mails are written to {options.outbox.resolve()}", flush=True)
    return _serve(service, live=live)


def run_demo(speed: float, folder: Path, start_ms: int | None, *, live: bool) -> int:
    """`waterside demo`: the boiler house and the service, at speed. Returns the exit code."""
    from daemon.app import logs
    from daemon.app.demo import DemoError, boiler_house
    from daemon.app.service import Options, Service
    from daemon.core.clock import FastClock
    from drivers.demo.scenario import DEFAULT_START_MS

    logs.set_up(quiet=True)
    begin = DEFAULT_START_MS if start_ms is None else start_ms
    try:
        with boiler_house(speed, begin, folder) as house:
            source = load(house.plant_file)
            options = Options(
                store=folder / "waterside.db",
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


def _serve(service: object, *, live: bool) -> int:
    from daemon.app.letterbox import Busy
    from daemon.app.service import Service
    from daemon.store.errors import StoreError

    assert isinstance(service, Service)
    show: Callable[[Service], object] | None = None
    if live:
        from daemon.app.live import attach

        show = attach(service)

    async def both() -> None:
        if show is None:
            await service.run()
            return
        async with asyncio.TaskGroup() as tasks:
            table = tasks.create_task(show(service))  # type: ignore[arg-type]
            await service.run()
            table.cancel()

    try:
        asyncio.run(both())
    except (StoreError, Busy, OSError) as e:
        print(f"The service did not start: {e}", file=sys.stderr)
        return 1
    return 0
