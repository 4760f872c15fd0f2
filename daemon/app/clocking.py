"""`waterside clock`: what is known of the PC's clock over the life of the log, and a person's word on what it was.

Lives here: the command, and the service's side of it. May import: daemon.store, daemon.app.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from daemon.app.letterbox import ActRefused
from daemon.app.wrong_clock import long
from daemon.store.errors import StoreError, StoreRefused
from daemon.store.records import ClockCorrection

if TYPE_CHECKING:
    from daemon.app.keeper import Keeper
    from daemon.store.reader import Reader
    from daemon.store.writer import Writer


async def correct_clock(writer: Writer, keeper: Keeper, request: dict[str, Any], now_ms: int) -> dict[str, Any]:
    """Record that a segment began at another instant than its clock said. ActRefused says why not."""
    by = str(request.get("by") or request.get("login") or "").strip()[:80]
    number, began = request.get("segment"), request.get("began_ms")
    if not by:
        raise ActRefused("an act needs a person.", "by", "Say who with --by NAME.")
    segments, _ = await writer.clock()
    segment = next((s for s in segments if s.segment == number), None)
    if segment is None or isinstance(number, bool):
        raise ActRefused(f"there is no clock segment {number}.", "segment", "`waterside clock` lists them.")
    if isinstance(began, bool) or not isinstance(began, int) or not 0 <= began <= now_ms:
        raise ActRefused("a segment began before now.", "began_ms", "Give the time it really began with --began.")
    shift = began - segment.at_ms
    text = f"clock segment {number} began {long(abs(shift))} {'later' if shift >= 0 else 'earlier'} than its clock said"
    try:
        act, _ = await keeper.submit("note", by, {"text": text, "target": "logger"})
        await writer.correct_clock(ClockCorrection(segment.segment, shift, now_ms, f"act {act}: {text}", by))
    except StoreRefused as e:
        raise ActRefused(str(e), "segment", "`waterside clock` lists them.") from e
    except StoreError as e:
        raise ActRefused(str(e), "store", "The act was not taken; try again when it stores again.") from e
    return {"number": act, "shift_ms": shift}


def listing(reader: Reader, zone: ZoneInfo) -> list[dict[str, Any]]:
    """A row a clock segment: its number, its beginning by its clock and as corrected, why, and any doubt."""
    shifts = reader.shifts()
    whys = {c.segment: c for c in reader.clock_corrections()}
    rows = []
    for s in reader.clock_segments():
        shift = shifts.get(s.segment)
        rows.append(
            {
                "segment": s.segment,
                "clock_said": _local(s.at_ms, zone),
                "began": _local(s.at_ms + (shift or 0), zone),
                "first_group": s.first_group,
                "why": s.why,
                "doubt": "" if s.segment in shifts else s.doubt,
                "shift_ms": shift,
                "corrected": f"{whys[s.segment].why}, {whys[s.segment].person}" if s.segment in whys else "",
            }
        )
    return rows


def _local(at_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, zone):%Y-%m-%d %H:%M:%S %Z}"


def zone_of(reader: Reader) -> ZoneInfo:
    """The plant's zone, UTC before there is a plant."""
    last = reader.last()
    return ZoneInfo(reader.plant(last.plant).plant.zone) if last else ZoneInfo("UTC")


def show(store: Path, *, every: bool) -> tuple[list[dict[str, Any]], list[str]]:
    """Rows and lines: the last ten segments and those in doubt or corrected, or all."""
    from daemon.store.reader import Reader

    with Reader(store) as reader:
        rows = listing(reader, zone_of(reader))
    shown = rows if every else [r for k, r in enumerate(rows) if k >= len(rows) - 10 or r["doubt"] or r["corrected"]]
    lines = []
    for r in shown:
        lines.append(f"{r['segment']:>4}  {r['began']}  {r['why']}")
        if r["corrected"]:
            lines.append(f"      its clock said {r['clock_said']}; {r['corrected']}")
        if r["doubt"]:
            lines.append(f"      in doubt: {r['doubt']}")
    return shown, lines
