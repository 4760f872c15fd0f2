"""The file of `waterside listen-for`: whose sign of life is expected, and who is told when it stays away.

Imports nothing of ours but `config`.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError, field_validator

from config.model import Mail, Person
from config.written import Part, Positive, Time


class Expected(Part):
    """[[expect]]: one plant."""

    name: str  # as [plant] name says there
    every: Annotated[Time, Positive]  # told when nothing has come for so long
    secret_file: str | None = None  # the line both sides know; without it anybody who reaches the port can say it


class Listening(Part):
    """The whole file."""

    name: str = "Watch"  # what the mails are headed with
    zone: str = "UTC"
    listen: str = "127.0.0.1:8780"
    state: str | None = None  # where it is kept what was heard; None: beside the file
    expected: tuple[Expected, ...] = Field(alias="expect", min_length=1)
    persons: tuple[Person, ...] = Field(alias="person", min_length=1)
    mail: Mail | None = None

    @field_validator("listen")
    @classmethod
    def _address(cls, value: str) -> str:
        m = re.fullmatch(r"(\[[0-9a-fA-F:]+\]|[^\s:]+):(\d{1,5})", value)
        if m is None or not 0 < int(m[2]) < 65536:
            raise ValueError(f'wants address and port, like "0.0.0.0:8780"; found "{value}"')
        return value

    @property
    def place(self) -> tuple[str, int]:
        """Address and port."""
        host, _, port = self.listen.rpartition(":")
        return host.strip("[]"), int(port)


class ListeningError(Exception):
    """The file cannot be used; one line for each thing that is wrong."""


def load_listening(path: Path) -> Listening:
    """Read the file. Raises ListeningError, and OSError when it is not there."""
    try:
        raw = tomllib.loads(path.read_text("utf-8"))
        found = Listening.model_validate(raw, context={"atmosphere_kpa": 101.325})
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as e:
        raise ListeningError(f"{path}: it is no TOML: {e}") from e
    except ValidationError as e:
        said = [f"{path}: {_where(x['loc'])}: {_words(x['type'], x['msg'])}" for x in e.errors(include_url=False)]
        raise ListeningError("\n".join(said)) from e
    if len({x.name for x in found.expected}) < len(found.expected):
        raise ListeningError(f"{path}: expect: a name is written twice; wants each plant once")
    return found


def _where(loc: tuple[int | str, ...]) -> str:
    return " ".join(str(x + 1) if isinstance(x, int) else x for x in loc)


def _words(kind: str, message: str) -> str:
    """What is wrong in plain words."""
    known = {"extra_forbidden": "there is no such key", "missing": "missing", "too_short": "wants at least one"}
    return known.get(kind, message.removeprefix("Value error, "))
