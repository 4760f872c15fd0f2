"""What `check` says of the on-call calendar: the file beside the plant file, read as the service would read it.

May import: config, daemon.core, daemon.notify.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from config.expand import expand
from config.findings import Finding, Found, PlantText
from config.load import place
from daemon.core.clock import SystemClock
from daemon.notify.calendar import answer
from daemon.notify.calendar_file import complaint, request, text_of


def calendar_findings(source: PlantText) -> list[Finding]:
    """Warnings about the calendar; [] where there is none, or nothing to say of it."""
    rota = source.plant.rota
    if rota is None or rota.calendar is None:
        return []
    path, now = Path(source.file).parent / rota.calendar, SystemClock().now_ms()
    try:
        found = answer(request(text_of(path), source.plant, now))
        said = str(found.get("error", ""))
        text = f"{path} cannot be used: {said}" if said else complaint(path, rota, found, source.plant, now)
    except OSError as e:
        text = f"{path} cannot be read: {e.strerror or e}"
    except ValueError as e:
        text = f"{path} cannot be used: {e}"
    if not text:
        return []
    whole = expand(tomllib.loads(source.text))
    return place([Found(("rota", "calendar"), text, "warning")], source.text, whole, source.file)
