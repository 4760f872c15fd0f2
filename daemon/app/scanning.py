"""`scan` in the terminal: what is refused before a single byte is sent, progress, and the list of who answered.

May import: config, drivers, daemon.app, daemon.store.lock.
"""

from __future__ import annotations

import asyncio
import errno
import json
import re
import sys
from collections.abc import Sequence
from pathlib import Path

from config.load import PlantText
from config.model import Link, Module
from config.units import QuantityError, quantity
from drivers.modbus.functions import MEANINGS
from drivers.modbus.line import LineDriver
from drivers.modbus.scan import FUNCTIONS, LISTEN_S, Heard, estimate_s, listen, scan
from drivers.modbus.wires import serial_trouble, socket_trouble
from drivers.registry import open_link

COMMON = tuple((baud, parity) for baud in (9600, 19200, 38400, 115200) for parity in ("even", "none", "odd"))
"""Settings tried when hunting: the specification's 9600 and 19200, and two rates often met (common practice)."""

ALONE = "only this equipment"
_SERIAL = ("modbus-rtu", "modbus-ascii")
_LINES = (*_SERIAL, "modbus-rtu-over-tcp")
REMEDY = "Use a pair of its own, a gateway that shares the line, or a second port of the modules."
_HEADS = {"input": "4 input", "holding": "3 holding", "coil": "1 coil", "discrete": "2 discrete"}


class ScanRefused(Exception):
    """The scan does not begin; the text says why and what to do."""


def units_of(text: str) -> list[int]:
    """ "1-32", "1,5,9-12": unit ids. ScanRefused when it is neither."""
    out: list[int] = []
    for part in text.split(","):
        m = re.fullmatch(r"\s*(\d+)(?:\s*-\s*(\d+))?\s*", part)
        if not m or not 0 <= int(m[1]) <= int(m[2] or m[1]) <= 255:
            raise ScanRefused(f'--units wants ids from 0 to 255, like "1-32" or "1,5,9-12"; found {text!r}.')
        out += range(int(m[1]), int(m[2] or m[1]) + 1)
    return list(dict.fromkeys(out))


def scan_link(
    source: PlantText,
    name: str,
    units: str,
    wait: str,
    *,
    hunt: bool,
    store: Path | None,
    as_json: bool,
    through: bool = False,
) -> int:
    """Scan one link of a plant file; returns the exit code. Raises ScanRefused.

    `through`: the running service asks the units itself, between its polls.
    """
    link = next((x for x in source.plant.links if x.name == name), None)
    if link is None:
        raise ScanRefused(f"there is no link {name!r}. Links: {', '.join(x.name for x in source.plant.links)}.")
    if link.kind == "text":
        raise ScanRefused(f"link {name} has text instruments: they have no units, and are sent their prompt alone.")
    asked = units_of(units)
    if link.kind in _LINES and (bad := [u for u in asked if not 1 <= u <= 247]):
        raise ScanRefused(f"on a serial line units are 1 to 247; found {bad[0]}.")
    known = [m for m in source.plant.modules if m.link == name]
    if through:
        return _through_service(source, link, asked, known, store, as_json)
    _owned(source, link, store)
    try:
        link = link.model_copy(update={"timeout": quantity(wait, "time")})
    except QuantityError as e:
        raise ScanRefused(f"--wait {e}") from e
    settings: Sequence[Link] = [link]
    if hunt:
        settings = _hunted(link)
    if link.kind in _LINES:
        _quiet(link)
    return asyncio.run(_all(settings, asked, known, as_json))


def _owned(source: PlantText, link: Link, store: Path | None) -> None:
    from daemon.app.service import default_options
    from daemon.store.lock import locked

    at = default_options(source.plant, store).store
    if locked(at):
        raise ScanRefused(
            f"the service runs on {at} and owns link {link.name}: two masters on one line spoil each other's answers. "
            "Ask through the service with --through-service, or stop it for the scan."
        )


def _through_service(
    source: PlantText, link: Link, units: list[int], known: Sequence[Module], store: Path | None, as_json: bool
) -> int:
    from daemon.app.ask import AskError, ask
    from daemon.app.service import default_options

    at = default_options(source.plant, store).store
    print(f"{len(units)} units, at most about {estimate_s(link, units):.0f} s, between the polls.", file=sys.stderr)

    def progress(what: object) -> None:
        if sys.stderr.isatty() and isinstance(what, dict):
            print(f"\runit {what['unit']}, {what['found']} found ", end="", file=sys.stderr, flush=True)

    try:
        answer = ask(at, {"ask": "scan", "link": link.name, "units": units}, 60.0, progress=progress)
    except AskError as e:
        raise ScanRefused(str(e)) from e
    found: list[dict[str, object]] = [
        {"at": f"link {link.name}", "unit": f["unit"], **f["answers"], "identification": f["says"]}
        for f in answer["found"]
    ]
    return _tell(found, known, as_json)


def _tell(found: list[dict[str, object]], known: Sequence[Module], as_json: bool) -> int:
    if as_json:
        print(json.dumps({"found": found}, indent=1))
    else:
        _show(found, known)
    return 0 if found else 1


def _hunted(link: Link) -> list[Link]:
    if link.kind not in _SERIAL:
        raise ScanRefused("--hunt is for serial lines: a TCP link has no baud rate.")
    print(
        "Hunting tries other baud rates and parities. On a pair with other equipment that can upset it.\n"
        f"If no other equipment is on the pair, type: {ALONE}",
        file=sys.stderr,
    )
    try:
        typed = input()
    except EOFError:
        typed = ""
    if typed.strip().lower() != ALONE:
        raise ScanRefused("not confirmed; nothing was sent. Scan at the known settings, or on a pair of its own.")
    return [link.model_copy(update={"baud": b, "parity": p, "stop_bits": 2 if p == "none" else 1}) for b, p in COMMON]


def _where(link: Link) -> str:
    return f"{link.host}:{link.port}" if link.host else link.device or ""


def _quiet(link: Link) -> None:
    where = _where(link)
    print(f"Listening on {where} for {LISTEN_S:g} s before anything is sent ...", file=sys.stderr)
    try:
        heard = listen(link)
    except (OSError, ValueError) as e:
        trouble = socket_trouble(link, where, e) if link.host else serial_trouble(link, where, e)
        trouble = trouble.replace(" It is tried again by itself.", "")
        if getattr(e, "errno", None) in (errno.EAGAIN, errno.EBUSY):
            trouble += " If it is the service of this plant: --through-service, with its --store"
        raise ScanRefused(f"{trouble.rstrip('.')}.") from e
    if heard:
        raise ScanRefused(
            f"{heard} bytes were heard on {where}: another master asks on this pair. Nothing was sent. {REMEDY}"
        )


async def _all(settings: Sequence[Link], units: Sequence[int], known: Sequence[Module], as_json: bool) -> int:
    total = sum(estimate_s(x, units) for x in settings)
    print(f"{len(units)} units, at most about {total:.0f} s.", file=sys.stderr)
    found: list[dict[str, object]] = []
    for link in settings:
        how = f"{link.baud} baud, parity {link.parity}" if link.kind in _SERIAL else _where(link)
        for heard in await _one(link, units, known, how):
            found.append({"at": how, "unit": heard.unit, **heard.answers, "identification": dict(heard.says)})
    return _tell(found, known, as_json)


async def _one(link: Link, units: Sequence[int], known: Sequence[Module], how: str) -> list[Heard]:
    driver = open_link(link)
    out = []
    try:
        if trouble := await driver.connect():
            raise ScanRefused(trouble)
        async for heard in scan(driver, units, known):
            if heard.there:
                out.append(heard)
            if isinstance(driver, LineDriver) and driver.counts.masters:
                raise ScanRefused(
                    f"another master asks on this pair: it was heard at unit {heard.unit}, and the scan has ended "
                    f"there. {REMEDY}"
                )
            if sys.stderr.isatty():
                print(f"\r{how}: unit {heard.unit}, {len(out)} found ", end="", file=sys.stderr, flush=True)
    finally:
        await driver.aclose()
        if sys.stderr.isatty():
            print(file=sys.stderr)
    return out


def _show(found: list[dict[str, object]], known: Sequence[Module]) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console()
    if not found:
        console.print("Nobody answered. Check power, the A and B wires, baud rate and parity, and the unit numbers.")
        return
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    for head in ("unit", *(_HEADS[f] for f in FUNCTIONS), "in the plant file"):
        table.add_column(head, header_style="dim")
    for row in found:
        unit = row["unit"]
        assert isinstance(unit, int)
        names = ", ".join(m.name for m in known if m.unit == unit) or "no"
        table.add_row(str(unit), *(_short(str(row[f])) for f in FUNCTIONS), names)
    for how in dict.fromkeys(str(row["at"]) for row in found):
        console.print(f"At {how}:", highlight=False)
    console.print(table)
    for row in found:
        if said := _says(row):
            console.print(f"{row['unit']} says it is: {said}", highlight=False, markup=False)
    codes = sorted({m[1] for row in found for f in FUNCTIONS if (m := _CODE.search(str(row[f])))}, key=int)
    for code in codes:
        console.print(f"({code}) {MEANINGS.get(int(code), 'not a listed code')}", style="dim", highlight=False)


def _says(row: dict[str, object]) -> str:
    said = row.get("identification")
    return " ".join(said.values()) if isinstance(said, dict) else ""


_CODE = re.compile(r"code (\d+)")


def _short(word: str) -> str:
    m = _CODE.search(word)
    return f"refused ({m[1]})" if m else word or "no answer"
