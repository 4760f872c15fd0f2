"""The sign of life by HTTP: what is posted, how it is signed, and the task that posts it.

May import: config, daemon.core. The network is asked in a thread; the library for it is loaded there.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import json
import logging
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from config.model import Plant
from daemon.core.clock import Clock

log = logging.getLogger("waterside.sign")

SIGNATURE: Final = "Waterside-Signature"
"""The header: sha256= and the HMAC of the body in hex."""
TIMEOUT_S: Final = 20.0
IDLE_S: Final = 60.0  # plant seconds between looks whether a reload wants one


def body_of(plant: Plant, now_ms: int, more: dict[str, Any]) -> bytes:
    """What is posted: JSON with the plant's name, the plant's time and what else there is to say."""
    every = plant.sign_of_life.every if plant.sign_of_life else 0.0
    return json.dumps({"plant": plant.plant.name, "at_ms": now_ms, "every_s": every, **more}, sort_keys=True).encode()


def signature(body: bytes, secret: str) -> str:
    """The value of the header."""
    return "sha256=" + hmac.new(secret.encode(), body, hashlib.sha256).hexdigest()


def read_secret(path: str) -> str:
    """The first line of a secret file. Raises OSError, and ValueError where it is empty or no text."""
    secret = Path(path).read_text("utf-8").partition("\n")[0].strip()
    if not secret:
        raise ValueError(f"the secret_file {path} is empty")
    return secret


def post(url: str, body: bytes, headers: dict[str, str]) -> str:
    """Post it; "" when it was taken, else why not."""
    from http.client import HTTPException
    from urllib.error import HTTPError, URLError
    from urllib.request import Request, urlopen

    request = Request(url, body, {"Content-Type": "application/json", **headers}, method="POST")
    try:
        with urlopen(request, timeout=TIMEOUT_S) as answer:
            return "" if 200 <= answer.status < 300 else f"{url} answered {answer.status}"
    except HTTPError as e:
        e.close()
        return f"{url} answered {e.code} {e.reason}"
    except (URLError, HTTPException, OSError, ValueError) as e:
        return f"{url} cannot be reached: {getattr(e, 'reason', None) or e}"


@dataclass(slots=True)
class SignState:
    """How the last one went: "" for well, and when it was taken (ms UTC, 0 never)."""

    trouble: str = ""
    taken_ms: int = 0


class SignSender:
    """Posts one when the service starts and then as often as the plant file says. Missed ones are not made up for."""

    def __init__(self, plant: Callable[[], Plant], clock: Clock, more: Callable[[], dict[str, Any]]) -> None:
        self._plant, self._clock, self._more = plant, clock, more
        self.state = SignState()

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            plant = self._plant()
            sign = plant.sign_of_life
            begun = self._clock.elapsed()
            if sign is None or sign.url is None:
                await self._clock.sleep_until(begun + IDLE_S)
                continue
            why = await self._once(plant, sign.url, sign.secret_file)
            if why != self.state.trouble:
                log.warning("the sign of life: %s", why) if why else log.info("the sign of life is taken again")
            self.state.trouble = why
            if not why:
                self.state.taken_ms = self._clock.now_ms()
            await self._clock.sleep_until(begun + sign.every)

    async def _once(self, plant: Plant, url: str, secret_file: str | None) -> str:
        body = body_of(plant, self._clock.now_ms(), self._more())
        headers = {}
        if secret_file is not None:
            try:
                headers[SIGNATURE] = signature(body, await asyncio.to_thread(read_secret, secret_file))
            except (OSError, ValueError) as e:
                return f"the secret_file {secret_file} cannot be used: {e}"
        return await asyncio.to_thread(post, url, body, headers)
