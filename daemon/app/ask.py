"""The command's side of the letterbox: ask the running service for one act and wait for its answer.

May import: daemon.app.local.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, cast

from daemon.app import local

Json = dict[str, Any]


class AskError(Exception):
    """The act was not done, or it is not known whether; the text says why and what to do."""


class NoService(AskError):
    """Nobody holds the letterbox."""


class Refused(AskError):
    """The service answered that it does not do it; `error` is its answer."""

    def __init__(self, error: Json) -> None:
        super().__init__(" ".join(str(error[k]) for k in ("what", "where", "todo") if error.get(k)))
        self.error = error


def person(by: str | None) -> str:
    """Who acts: the name given with --by, else the login name."""
    return (by or "").strip() or local.login()


def ask(
    store: Path,
    request: Json,
    timeout: float = 10.0,
    *,
    progress: Callable[[object], None] = lambda what: None,
    start: str = "waterside run PLANT.toml",
) -> Json:
    """Send one request to the service of a store and return its answer.

    `timeout`: real seconds of silence, counted anew after each progress line. Raises NoService, Refused, AskError.
    """
    at = local.place(store)
    try:
        s, token = local.connect(at, timeout)
    except (FileNotFoundError, ConnectionRefusedError, NotADirectoryError) as e:
        raise NoService(f"The service for store {store} is not running: an act needs it. Start it with: {start}") from e
    except PermissionError as e:
        raise AskError(
            f"You may not talk to the service for store {store}: {at} is for its user and group. "
            "Run the command as a member of that group."
        ) from e
    except TimeoutError as e:
        raise AskError(f"The service for store {store} takes no requests. Look at its log.") from e
    try:
        with s, s.makefile("rb") as f:
            s.settimeout(timeout)
            # a service without room for more answers and closes at once: what it said is still there to be read
            with suppress(BrokenPipeError, ConnectionResetError):
                s.sendall(json.dumps(request | ({"token": token} if token else {})).encode() + b"\n")
            while line := f.readline():
                answer = json.loads(line)
                if "progress" not in answer:
                    return _answer(answer)
                progress(answer["progress"])
    except TimeoutError as e:
        raise AskError(
            f"The service for store {store} gave no answer within {timeout:g} s. The act may still be done: look with "
            "`status` before you repeat it."
        ) from e
    except (ConnectionError, json.JSONDecodeError) as e:
        raise AskError(_broken(store)) from e
    raise AskError(_broken(store))


def _broken(store: Path) -> str:
    return (
        f"The service for store {store} closed the connection before it answered. The act may be done: look with "
        "`status` before you repeat it."
    )


def _answer(answer: object) -> Json:
    if isinstance(answer, dict) and isinstance(answer.get("error"), dict):
        raise Refused(answer["error"])
    return cast(Json, answer)


__all__ = ["AskError", "NoService", "Refused", "ask", "person"]
