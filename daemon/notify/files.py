"""Mails as files, where the plant has no mail server. May import: config, daemon.core, daemon.notify."""

from __future__ import annotations

import os
import re
from contextlib import suppress
from email.message import EmailMessage
from pathlib import Path

from config.model import Plant
from daemon.core.outcome import Notice
from daemon.notify.answers import Later
from daemon.notify.compose import wire
from daemon.notify.telling import Telling
from daemon.notify.wording import instant, zone_of


def file_name(notice: Notice, recipient: str, plant: Plant) -> str:
    """Name of a mail's file: plant time, number and event, where and what, to whom. The same row, the same name."""
    when = instant(notice.at_ms, zone_of(plant)).strftime("%Y%m%d-%H%M%S")
    parts = (when, f"{notice.occurrence}-{notice.event}", f"{notice.target}-{notice.kind}", notice.name, recipient)
    return "_".join(re.sub(r"[^A-Za-z0-9.@-]+", "-", p)[:60] for p in parts if p) + ".eml"


def file_of(telling: Telling, plant: Plant) -> str:
    """The same for a telling: one first message of one alarm has the name of its notice."""
    t = telling
    to = t.address + ("_short" if t.short else "")
    if len(t.notices) == 1 and t.why == "news":
        return file_name(t.notices[0], to, plant)
    when = instant(t.at_ms, zone_of(plant)).strftime("%Y%m%d-%H%M%S")
    what = f"{t.why}-{t.nth}"
    if len(t.notices) == 1:
        n = t.notices[0]
        what += f"_{n.occurrence}-{n.target}-{n.kind}"
    elif t.notices:
        what += f"_{len(t.notices)}-messages-from-{t.notices[0].occurrence}"
    return "_".join(re.sub(r"[^A-Za-z0-9.@-]+", "-", p)[:60] for p in (when, what, to)) + ".eml"


def write(message: EmailMessage, folder: Path, name: str) -> None:
    """Write one mail, whole or not at all, also through a power cut. Raises Later when the folder takes no file."""
    part = folder / f".{name}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as f:
            f.write(wire(message))
            f.flush()
            os.fsync(f.fileno())
        part.replace(folder / name)
    except OSError as e:
        with suppress(OSError):
            part.unlink()
        raise Later(f"mails cannot be written to {folder}: {e.strerror or e}", server=True, stays=True) from e
