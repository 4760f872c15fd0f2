"""The calendar file of the plant: read when it has changed, the last good one used while it cannot be.

Lives here: the file, the process that reads it, and the sentences about what is wrong with it. May import: config,
daemon.core.clock, daemon.notify. The libraries are loaded by the other process alone.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from config.model import Plant, Rota
from daemon.notify.roster import AHEAD_MS, Span, zone_of

AGAIN_MS: Final = 6 * 3_600_000  # plant time after which duties are worked out anew: new ones have come within reach
LONGEST_S: Final = 60.0  # real seconds the reading process may take
MOST_BYTES: Final = 4 << 20


@dataclass(frozen=True, slots=True)
class CalendarRead:
    """Duties around now, what is wrong ("" for nothing), and the text they come from (None: there is none)."""

    spans: tuple[Span, ...]
    trouble: str = ""
    text: str | None = None


class CalendarFile:
    """Reads the calendar of a plant file again when the file has changed or half a day of plant time is over."""

    def __init__(self, folder: str) -> None:
        self.folder = folder
        self._seen: tuple[object, ...] = ()
        self._last = CalendarRead(())

    async def spans(self, plant: Plant, rota: Rota, good: str, now_ms: int) -> CalendarRead:
        """Duties around now. `good`: the text of the last calendar that could be used, "" for none."""
        path = Path(self.folder) / (rota.calendar or "")
        try:
            stat = await asyncio.to_thread(path.stat)
            mark: tuple[object, ...] = (stat.st_mtime_ns, stat.st_size)
        except OSError as e:
            mark = (e.errno,)
        seen = (path, mark, now_ms // AGAIN_MS, plant.persons, good[:0])
        if seen == self._seen:
            return self._last
        self._last = await self._read(path, plant, rota, good, now_ms)
        self._seen = seen
        return self._last

    async def _read(self, path: Path, plant: Plant, rota: Rota, good: str, now_ms: int) -> CalendarRead:
        try:
            text = await asyncio.to_thread(text_of, path)
            found = await _asked(text, plant, now_ms)
            why = str(found.get("error", ""))
        except OSError as e:
            why = f"it cannot be read: {e.strerror or e}"
        except ValueError as e:
            why = str(e)
        if not why:
            return CalendarRead(_spans(found), complaint(path, rota, found, plant, now_ms), text)
        trouble = f"The on-call calendar {path} cannot be used: {why}."
        if not good:
            return CalendarRead((), f"{trouble} No earlier one is known, so nobody is on duty by it.")
        old = await _asked(good, plant, now_ms)
        return CalendarRead(_spans(old), f"{trouble} The last good one is used.", good)


def complaint(path: Path, rota: Rota, found: Mapping[str, Any], plant: Plant, now_ms: int) -> str:
    """What is to be said of a calendar that can be read."""
    said = []
    zone = zone_of(plant)
    if found["ends_ms"] <= now_ms:
        said.append(f"The on-call calendar {path} names nobody from now on. Export it again with the days to come.")
    if rota.stale_after is not None:
        written = path.stat().st_mtime * 1000
        if now_ms - written > rota.stale_after * 1000:
            day = datetime.fromtimestamp(written / 1000, zone).strftime("%Y-%m-%d")
            said.append(f"The on-call calendar {path} was last written on {day}. Export it again.")
    if found["strangers"]:
        names = ", ".join(f'"{s}"' for s in found["strangers"][:5])
        said.append(f"Events of {path} name nobody of the plant file: {names}.")
    return " ".join(said)


def text_of(path: Path) -> str:
    """The file's text. Raises OSError, and ValueError for what is no text."""
    with path.open("rb") as f:
        data = f.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise ValueError(f"it is larger than {MOST_BYTES >> 20} MB")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        raise ValueError(f"it is not UTF-8 text: byte {e.start + 1}") from e


def request(text: str, plant: Plant, now_ms: int) -> dict[str, Any]:
    """What the reading process is asked."""
    return {
        "text": text,
        "people": {p.name: p.mail for p in plant.persons},
        "zone": str(zone_of(plant)),
        "from_ms": now_ms - 2 * 86_400_000,
        "to_ms": now_ms + AHEAD_MS,
    }


async def _asked(text: str, plant: Plant, now_ms: int) -> dict[str, Any]:
    command = (sys.executable, "-P", "-m", "daemon.notify.calendar")
    pipe = asyncio.subprocess.PIPE
    child = await asyncio.create_subprocess_exec(*command, stdin=pipe, stdout=pipe, stderr=asyncio.subprocess.DEVNULL)
    try:
        async with asyncio.timeout(LONGEST_S):
            out, _ = await child.communicate(json.dumps(request(text, plant, now_ms)).encode())
    except TimeoutError:
        return {"error": f"working it out took more than {LONGEST_S:g} s"}
    finally:
        if child.returncode is None:
            child.kill()
            await child.wait()
    try:
        data: dict[str, Any] = json.loads(out)
    except ValueError:
        return {"error": "the program that reads it failed"}
    return data


def _spans(found: Mapping[str, Any]) -> tuple[Span, ...]:
    return tuple(Span(int(b), int(e), str(p)) for b, e, p in found.get("spans", ()))
