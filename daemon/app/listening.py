"""`listen-for`: takes signs of life of plants by HTTP and mails when one stays away, and when it comes again.

Lives here: the listener, what it has heard (a file), and the mails about it, which go by the same sender as alarms. A
process of its own, at the office or wherever the plant can reach it; it needs no way into the plant. May import:
config, daemon.core, daemon.notify.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import json
import logging
import os
import signal
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from config.listening import Expected, Listening
from config.model import Plant, Site
from daemon.core.clock import Clock
from daemon.core.outcome import MailRow
from daemon.core.say import minutes
from daemon.notify.sender import Sender
from daemon.notify.sign import SIGNATURE, read_secret, signature
from daemon.notify.stored import telling_json
from daemon.notify.telling import Telling

log = logging.getLogger("waterside.listen")

HEAD: Final = 8192  # bytes of a request's head
BODY: Final = 16384
REQUEST_S: Final = 15.0  # real seconds a request may take
AGAIN_MS: Final = 86_400_000  # a plant that stays silent is told of once a day
CLIENTS: Final = 16


@dataclass(slots=True)
class Row:
    """A mail that waits."""

    id: int
    key: str
    recipient: str
    body: str
    tries: int = 0
    next_ms: int = 0


class Heard:
    """What was heard and what waits to be mailed, in one small file, written whole."""

    def __init__(self, path: Path) -> None:
        self._path = path
        data: dict[str, Any] = {}
        with contextlib.suppress(FileNotFoundError):
            data = json.loads(path.read_text("utf-8"))
        self.seen: dict[str, int] = data.get("seen", {})  # plant: when a sign came, ms UTC of the listener
        self.said: dict[str, int] = data.get("said", {})  # plant: its own time in the last sign
        self.told: dict[str, int] = data.get("told", {})  # plant: when its silence was last told
        self.mails = [Row(**m) for m in data.get("mails", ())]
        self._next = int(data.get("next", 1))

    def save(self) -> None:
        part = self._path.with_name(self._path.name + ".part")
        mails = [{k: getattr(m, k) for k in Row.__slots__} for m in self.mails]
        data = {"seen": self.seen, "said": self.said, "told": self.told, "mails": mails, "next": self._next}
        with part.open("w", encoding="utf-8") as f:
            json.dump(data, f)
            f.flush()
            os.fsync(f.fileno())
        part.replace(self._path)

    def add(self, mails: Sequence[MailRow]) -> None:
        for m in mails:
            self.mails.append(Row(self._next, m.key, m.recipient, m.body))
            self._next += 1

    # the sender's queue

    async def pending_mails(self, now_ms: int, limit: int) -> Sequence[Row]:
        return [m for m in self.mails if m.next_ms <= now_ms][:limit]

    async def mail_sent(self, mail_id: int, at_ms: int, said: str = "") -> None:
        log.info("mailed: %s", said)
        self._drop(mail_id)

    async def mail_later(self, mail_id: int, next_ms: int, why: str) -> None:
        for m in self.mails:
            if m.id == mail_id:
                m.tries, m.next_ms = m.tries + 1, next_ms
        self.save()

    async def mail_refused(self, mail_id: int, why: str, at_ms: int | None = None) -> None:
        self._drop(mail_id)

    def _drop(self, mail_id: int) -> None:
        self.mails = [m for m in self.mails if m.id != mail_id]
        self.save()


class Listener:
    """One run. `port` is where it listens once `ready`."""

    def __init__(self, told: Listening, folder: Path, clock: Clock) -> None:
        self._told, self._clock = told, clock
        self._by_name = {x.name: x for x in told.expected}
        self._heard = Heard(folder / (told.state or "listen-for.json"))
        self._begun_ms = clock.now_ms()
        site = Site(name=told.name, zone=told.zone)
        self._plant = Plant.model_construct(plant=site, links=(), modules=(), persons=told.persons, mail=told.mail)
        self._sender = Sender(self._heard, self._plant, clock, folder / "outbox", on_trouble=self._trouble)
        self._clients = 0
        self.ready, self.port = asyncio.Event(), 0

    async def run(self, stop: asyncio.Event) -> None:
        """Until told to stop. Raises OSError where it cannot listen."""
        host, port = self._told.place
        server = await asyncio.start_server(self._client, host, port, limit=HEAD)
        self.port = server.sockets[0].getsockname()[1]
        log.info("listening at %s:%d for %s", host, self.port, ", ".join(self._by_name))
        self.ready.set()
        tasks = [asyncio.create_task(self._sender.run()), asyncio.create_task(self._watch())]
        try:
            await stop.wait()
        finally:
            server.close()
            await self._sender.stop(2)
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._heard.save()

    async def _trouble(self, text: str) -> None:
        if text:
            log.error("%s", text)

    # ------------------------------------------------------------------ what comes in

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients += 1
        try:
            async with asyncio.timeout(REQUEST_S):
                status = await self._request(reader) if self._clients <= CLIENTS else "503 Service Unavailable"
                text = status.encode() + b"\n"
                head = f"HTTP/1.1 {status}\r\nContent-Type: text/plain\r\nContent-Length: {len(text)}\r\n"
                writer.write(head.encode() + b"Connection: close\r\n\r\n" + text)
                await writer.drain()
        except (OSError, TimeoutError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            pass  # whoever it was has gone, or speaks something else
        finally:
            self._clients -= 1
            writer.close()

    async def _request(self, reader: asyncio.StreamReader) -> str:
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
        if not head[0].startswith("POST "):
            return "405 Method Not Allowed"
        headers = {k.strip().lower(): v.strip() for k, _, v in (line.partition(":") for line in head[1:])}
        length = headers.get("content-length", "")
        if not (length.isascii() and length.isdecimal()):
            return "411 Length Required"
        if len(length) > 9 or int(length) > BODY:
            return "413 Content Too Large"
        body = await reader.readexactly(int(length))
        return self._sign(body, headers.get(SIGNATURE.lower(), ""))

    def _sign(self, body: bytes, signed: str) -> str:
        """Take one sign of life; the status line that answers it."""
        try:
            data = json.loads(body)
            name, at_ms = str(data["plant"]), int(data["at_ms"])
        except (ValueError, TypeError, KeyError, RecursionError):
            return "400 Bad Request"
        expected = self._by_name.get(name)
        if expected is None:
            log.warning("a sign of life of %.80r, which is not expected here", name)
            return "404 Not Found"
        if expected.secret_file is not None:
            try:
                good = signature(body, read_secret(expected.secret_file))
            except (OSError, ValueError) as e:
                log.error("%s", e)
                return "500 Internal Server Error"
            if not hmac.compare_digest(good.encode(), signed.encode()):
                log.warning("a sign of life of %s that is not signed with its secret", name)
                return "403 Forbidden"
            if at_ms <= self._heard.said.get(name, 0):
                log.warning("a sign of life of %s that was sent before", name)
                return "409 Conflict"
        self._take(expected, at_ms)
        return "200 OK"

    def _take(self, expected: Expected, at_ms: int) -> None:
        h, now, name = self._heard, self._clock.now_ms(), expected.name
        if name in h.told:
            silent = now - h.seen.get(name, self._begun_ms)
            title = f"heard again: {name}"
            text = f"A sign of life of {name} has come. Before it none came for {minutes(silent)}."
            self._mail(f"again.{now}", title, text, now)
            del h.told[name]
        h.seen[name], h.said[name] = now, at_ms
        h.save()

    # ------------------------------------------------------------------ what stays away

    async def _watch(self) -> None:
        pace = min(30.0, min(x.every for x in self._told.expected) / 4)
        while True:
            for expected in self._told.expected:
                self._look(expected)
            await self._clock.sleep_until(self._clock.elapsed() + pace)

    def _look(self, expected: Expected) -> None:
        h, now, name = self._heard, self._clock.now_ms(), expected.name
        last = h.seen.get(name, 0)
        silent = now - max(last, self._begun_ms)  # nothing could be heard before this began to listen
        if silent < expected.every * 1000 or now - h.told.get(name, -AGAIN_MS) < AGAIN_MS:
            return
        at = _clock(last, ZoneInfo(self._told.zone)) if last else "never"
        text = (
            f"No sign of life has come from {name} since {at}; one is expected at least every "
            f"{minutes(round(expected.every * 1000))}.\n\n"
            "The plant PC, its network, the service or the way here may have failed. Nothing is known of the boilers "
            "meanwhile: alarms of that plant may not reach anybody.\n\n"
            "Look at first: ask somebody at the plant whether the PC runs and the boilers are attended. "
            "The gauges at the boiler and the site procedure come first."
        )
        self._mail(f"silent.{now}", f"nothing heard from {name}", text, now)
        h.told[name] = now
        h.save()
        log.error("nothing heard from %s since %s", name, at)

    def _mail(self, key: str, title: str, text: str, now: int) -> None:
        rows = []
        for p in self._told.persons:
            telling = Telling("news", p.name, p.mail, (), text=text, title=title, at_ms=now)
            rows.append(MailRow(f"{key}>{p.mail}", p.mail, now, telling_json(telling, "")))
        self._heard.add(rows)
        self._sender.wake()


def _clock(at_ms: int, zone: tzinfo) -> str:
    return datetime.fromtimestamp(at_ms / 1000, zone).strftime("%a %d %b %Y %H:%M")


def listen_for(path: Path) -> int:
    """`waterside listen-for FILE` until SIGTERM; the exit code."""
    import sys

    from config.listening import ListeningError, load_listening
    from daemon.app import logs
    from daemon.core.clock import SystemClock

    try:
        told = load_listening(path)
    except ListeningError as e:
        print(e, file=sys.stderr)
        return 1
    except OSError as e:
        print(f"{path}: {e.strerror}. Give the path of the file with [[expect]] and [[person]].", file=sys.stderr)
        return 2
    logs.set_up()
    if told.mail is None:
        print(f"No [mail] in {path}: mails are written to {(path.parent / 'outbox').resolve()}", flush=True)

    async def both() -> None:
        stop = asyncio.Event()
        for s in (signal.SIGTERM, signal.SIGINT):
            asyncio.get_running_loop().add_signal_handler(s, stop.set)
        await Listener(told, path.parent, SystemClock()).run(stop)

    try:
        asyncio.run(both())
    except OSError as e:
        print(f"listen = {told.listen}: {e.strerror or e}. Choose another address or port.", file=sys.stderr)
        return 1
    return 0
