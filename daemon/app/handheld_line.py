"""A handheld that prints its value: read once, over a link that nobody else owns.

The link and the one instrument on it are described in a file of their own, shaped like a plant file: `[plant]`, a
`[[link]]` of kind text, a `[[module]]` with its pattern and, as its first channel, the field that is the conductivity.
May import: config, drivers, daemon.app.calibration_talk.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Final

from daemon.app.calibration_talk import NotDone

WAIT_S: Final = 20.0


def read_handheld(file: Path) -> tuple[float, dict[str, float]]:
    """The value that is to be compared, and everything the line said. NotDone where there is none."""
    from config.load import PlantFileError, load
    from drivers.text import Trouble, read_once

    try:
        plant = load(file).plant
    except PlantFileError as e:
        raise NotDone(str(e)) from e
    except OSError as e:
        raise NotDone(f"{file}: {e.strerror}. Give a file that describes the handheld's link.", 2) from e
    links = {x.name: x for x in plant.links if x.kind == "text"}
    module = next((m for m in plant.modules if m.link in links), None)
    if module is None:
        raise NotDone(f'{file} has no module on a link of kind "text": a handheld prints lines.', 2)
    field = next(iter(module.channels.values())).field
    got = asyncio.run(read_once(links[module.link], module, WAIT_S))
    if isinstance(got, Trouble):
        raise NotDone(f"The handheld gave no reading: {got.detail}")
    if field is None or field not in got:
        raise NotDone(f"The handheld's line has no {field}: {', '.join(f'{k} {v:g}' for k, v in got.items())}.")
    return got[field], got
