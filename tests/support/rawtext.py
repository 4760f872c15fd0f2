"""Text instruments scripted byte by byte: on a pseudo-terminal, or behind a serial server on a loopback port.

All that comes to one is recorded for `tests.support.wire`: its prompt each time it came whole, and anything else as it
came. `say` prints at any time; a reply is as in `tests.support.rawpeer`.
"""

from __future__ import annotations

import asyncio
import os
import socket
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Self

from config.model import Link, Module
from tests.support import wire
from tests.support.rawpeer import DROP, RawGateway, RawRtu, Reply


def text_link(*, device: str | None = None, port: int | None = None, timeout: str = "2 s", **more: Any) -> Link:
    end = {"device": device, "parity": "none"} if port is None else {"host": "127.0.0.1", "port": port}
    return Link.model_validate({"name": "bench", "kind": "text", "timeout": timeout, **end, **more})


def text_module(
    pattern: str, channels: Mapping[str, Mapping[str, Any]], name: str = "meter", every: str = "1 s", **more: Any
) -> Module:
    return Module.model_validate(
        {"name": name, "link": "bench", "every": every, "pattern": pattern, "channels": dict(channels), **more}
    )


class _Listener:
    """Cuts what comes into prompts."""

    def __init__(self, prompt: bytes) -> None:
        self._prompt, self._pending = prompt, b""
        if prompt:
            wire.declare(prompt)

    def heard(self, data: bytes) -> int:
        """How many prompts are whole now. What is no beginning of one is recorded as it is."""
        self._pending += data
        n = 0
        while self._prompt and self._pending.startswith(self._prompt):
            self._pending = self._pending[len(self._prompt) :]
            wire.record("text", 0, self._prompt)
            n += 1
        if not self._prompt or not self._prompt.startswith(self._pending):
            self.end()
        return n

    def end(self) -> None:
        """Nothing more comes: half a prompt is none."""
        if self._pending:
            wire.record("text", 0, self._pending)
            self._pending = b""


class RawText(RawRtu):
    """An instrument on a serial port."""

    def __init__(self, folder: Path, prompt: bytes = b"", *replies: Reply) -> None:
        super().__init__(folder, *replies)
        self.prompt, self._listener = prompt, _Listener(prompt)

    async def __aenter__(self) -> Self:
        await super().__aenter__()
        return self

    async def __aexit__(self, *_: object) -> None:
        await super().__aexit__()
        self._listener.end()

    def _got(self) -> None:
        for _ in range(self._listener.heard(os.read(self._master, 4096))):
            for step in self._steps(self.prompt):
                if step is DROP:
                    self.unplug()
                    return
                self.say(step)


class RawTextServer(RawGateway):
    """An instrument behind a serial server."""

    def __init__(self, prompt: bytes = b"", *replies: Reply) -> None:
        super().__init__(*replies)
        self.prompt, self._listener = prompt, _Listener(prompt)

    async def __aenter__(self) -> Self:
        await super().__aenter__()
        return self

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.append(writer)
        self.connections += 1
        with suppress(ConnectionError):
            while data := await reader.read(4096):
                for _ in range(self._listener.heard(data)):
                    for step in self._steps(self.prompt):
                        if step is DROP:
                            writer.close()
                            return
                        writer.write(step)
                        await writer.drain()
        self._listener.end()
        writer.close()


class Printer:
    """Prints a line each `every` seconds to whoever is connected, from a thread: for services in their own process."""

    def __init__(self, line: Callable[[int], bytes], every: float = 0.1) -> None:
        self._line, self._every = line, every
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._listener = _Listener(b"")

    def __enter__(self) -> Printer:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join(10)
        self._server.close()

    def _run(self) -> None:
        self._server.settimeout(0.05)
        n = 0
        while not self._ending.is_set():
            with suppress(OSError):
                near, _ = self._server.accept()
                with near:
                    near.setblocking(False)
                    while not self._ending.wait(self._every):
                        with suppress(BlockingIOError):
                            if not (data := near.recv(4096)):
                                break
                            self._listener.heard(data)
                        near.sendall(self._line(n))
                        n += 1
