"""The one way acts of people reach the service: a local socket beside the store, a line of JSON each way.

The service holds the `Letterbox`; commands use `ask`. `place(store)` is where both meet: the socket itself, a link to
it in the runtime directory, or, where there are no Unix sockets, a file with port and token. One request a line; the
answer is one line, before it any number of {"progress": ...} lines. What is refused is answered
{"error": {"what", "where", "todo"}}. May import: daemon.core, daemon.app.local.
"""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, Self

from daemon.app import local
from daemon.app.local import Busy, place

__all__ = ["ActRefused", "Busy", "Letterbox", "Progress", "place"]

LINE_LIMIT = 64 * 1024
CLIENTS = 32

log = logging.getLogger("waterside.letterbox")

Json = dict[str, Any]
Progress = Callable[[object], Awaitable[None]]
Handle = Callable[[Json, Progress], Awaitable[Json]]


class ActRefused(Exception):
    """Raised by a handler: the act is not done. The person is told what, where, and what to do."""

    def __init__(self, what: str, where: str = "", todo: str = "") -> None:
        super().__init__(" ".join(filter(None, (what, where, todo))))
        self.what, self.where, self.todo = what, where, todo


class Letterbox:
    """The service's side. `handle(request, progress)` is awaited for each request and gives the answer.

    A request is a JSON object; where the system tells who is at the other end, `login` in it is that user's name,
    whatever the request said.
    """

    def __init__(self, handle: Handle, server: asyncio.Server, post: local.Post) -> None:
        self._handle, self._server, self._post = handle, server, post
        self._clients: set[asyncio.Task[None]] = set()

    @classmethod
    async def open(cls, store: Path, handle: Handle, *, runtime: str = "", tcp: bool = local.NO_UNIX) -> Self:
        """Take up the letterbox of a store; `runtime` is $RUNTIME_DIRECTORY.

        Replaces what a killed service left behind. Raises Busy when a living one is there, OSError when the place
        cannot be written.
        """
        box: Self

        async def met(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await box._client(reader, writer)

        post = local.bind(store, runtime, tcp)
        try:
            if tcp:
                server = await asyncio.start_server(met, sock=post.socket, limit=LINE_LIMIT, start_serving=False)
            else:
                server = await asyncio.start_unix_server(met, sock=post.socket, limit=LINE_LIMIT, start_serving=False)
        except BaseException:
            post.remove()
            raise
        box = cls(handle, server, post)
        await server.start_serving()
        return box

    async def aclose(self) -> None:
        """Take no more requests; whoever still waits is told that the service is stopping."""
        self._server.close()
        self._post.remove()
        for task in tuple(self._clients):
            task.cancel()
        await asyncio.gather(*self._clients, return_exceptions=True)

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._clients.add(task)
        try:
            if len(self._clients) > CLIENTS:
                await _say(writer, _error(f"{CLIENTS} others are talking to the service.", "", "Try again shortly."))
                return
            login = local.login_of(writer.get_extra_info("socket"))
            while await self._one(reader, writer, login):
                pass
        except (ConnectionError, TimeoutError):
            pass  # whoever asked has gone
        except asyncio.CancelledError:
            if not writer.is_closing():
                writer.write(_line(_error("The service is stopping.", "", "Ask again when it runs.")))
        finally:
            self._clients.discard(task)
            writer.close()

    async def _one(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, login: str) -> bool:
        """Serve one request; False when there are no more."""
        try:
            line = await reader.readuntil(b"\n")
        except asyncio.LimitOverrunError:
            where = f"The line is longer than {LINE_LIMIT} bytes."
            await _say(writer, _error("The request is too long.", where, "Send one JSON object on one shorter line."))
            return False
        except asyncio.IncompleteReadError as e:
            if e.partial:
                where = f"It ended after {len(e.partial)} bytes."
                await _say(writer, _error("The request is not whole.", where, "End it with a line feed."))
            return False
        request = _request(line)
        if isinstance(request, str):
            todo = 'Send one JSON object on one line, like {"act": "ack", "number": 1042, "by": "you"}.'
            await _say(writer, _error("The request cannot be read.", request, todo))
            return True
        if not self._post.admits(request.pop("token", "")):
            await _say(writer, _error("The token is wrong.", "", f"Use the one in {self._post.place}."))
            return False
        request.pop("login", None)
        if login:
            request["login"] = login

        async def progress(what: object) -> None:
            await _say(writer, {"progress": what})

        try:
            answer = await self._handle(request, progress)
        except ActRefused as e:
            answer = _error(e.what, e.where, e.todo)
        except ConnectionError:
            raise
        except Exception as e:
            log.exception("an act failed: %s", request.get("act", "?"))
            answer = _error("The act failed.", f"{type(e).__name__}: {e}", "The service runs on; its log has more.")
        await _say(writer, answer)
        return True


def _request(line: bytes) -> Json | str:
    """The request in a line, or what is wrong with it."""
    try:
        found = json.loads(line.rstrip(b"\r\n"))
    except UnicodeDecodeError as e:
        return f"Byte {e.start + 1} is not UTF-8."
    except json.JSONDecodeError as e:
        return f"Column {e.colno}: {e.msg}."
    except RecursionError:
        return "It is nested too deep."
    except ValueError:
        return "It holds a number that is too long."
    if not isinstance(found, dict):
        return f"It is {_json_kind(found)}, not an object."
    return found


def _json_kind(value: object) -> str:
    kinds = {list: "an array", str: "a text", bool: "true or false", type(None): "null"}
    return kinds.get(type(value), "a number")


def _error(what: str, where: str, todo: str) -> Json:
    return {"error": {"what": what, "where": where, "todo": todo}}


def _line(answer: Json) -> bytes:
    return json.dumps(answer, default=str).encode() + b"\n"


async def _say(writer: asyncio.StreamWriter, answer: Json) -> None:
    writer.write(_line(answer))
    await writer.drain()
