"""What the daily mail tells: the plant as it stands, and what the store holds of the day.

May import: config, daemon.core, daemon.notify.telling, daemon.store, daemon.app.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from datetime import datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from config.model import Plant
from daemon.core.outcome import Entry
from daemon.core.say import System, say
from daemon.notify.roster import zone_of
from daemon.notify.telling import BoilerDay, Daily

if TYPE_CHECKING:
    from daemon.app.view import FigureView, View

_STANDING = ("unacknowledged", "acknowledged")


class DailyBrief:
    """Makes the figures of the daily mail when the dealer asks for them."""

    def __init__(self, view: Callable[[], View], plant: Callable[[], Plant], store: Path) -> None:
        self._view, self._plant, self._store = view, plant, store

    async def __call__(self, from_ms: int, to_ms: int) -> Daily:
        """Of a time, ms UTC. The store is read beside the loop."""
        view, plant = self._view(), self._plant()
        stored = await asyncio.to_thread(_stored, self._store, plant, from_ms, to_ms)
        return daily(view, plant, from_ms, to_ms, **stored)


def _stored(store: Path, plant: Plant, from_ms: int, to_ms: int) -> dict[str, Any]:
    from daemon.app.status import copied_so_far
    from daemon.store.chain import say_head
    from daemon.store.reader import Reader

    with Reader(store) as reader:
        blows: dict[str, tuple[int, int]] = {}
        for b in reader.blows(from_ms, to_ms):
            n, ms = blows.get(b.boiler, (0, 0))
            blows[b.boiler] = n + 1, ms + b.open_ms
        over = over_lines([e for e in reader.journal(from_ms, to_ms) if e.event == "returned"], zone_of(plant))
        return {"blows": blows, "over": over, "head": say_head(*reader.head()), "copy": copied_so_far(reader)}


def over_lines(returns: Sequence[Entry], zone: tzinfo) -> tuple[str, ...]:
    """What is over, a line for each alarm however often it came; in the order in which they last ended."""
    last: dict[tuple[str, str, str], list[Entry]] = {}
    for e in returns:
        if e.occurrence:
            key = e.target, e.kind, e.name
            last[key] = [*last.pop(key, []), e]
    out = []
    for (target, kind, name), found in last.items():
        what = f"{target}: {_title(kind)}" + (f" ({name})" if name else "")
        at = _clock(found[-1].at_ms, zone)
        once = len(found) == 1
        number = f"{found[-1].occurrence} " if once else ""
        out.append(f"{number}{what}, over at {at}" if once else f"{what}, {len(found)} times, last over at {at}")
    return tuple(out)


def daily(
    view: View,
    plant: Plant,
    from_ms: int,
    to_ms: int,
    *,
    blows: dict[str, tuple[int, int]],
    over: tuple[str, ...],
    head: str,
    copy: str,
) -> Daily:
    """The daily mail's content. Pure."""
    from daemon.app.due import due_lines

    zone, system = zone_of(plant), plant.plant.units
    by_name = {f.name: f for f in view.figures}
    standing = [a for a in view.alarms if a.state in _STANDING]
    lines = [
        f"{a.occurrence} {a.target}: {_lower(a.title)}, since {_clock(a.since_ms, zone)}, {a.meaning}" for a in standing
    ]
    if left := [a for a in view.alarms if a.state not in _STANDING and "unacknowledged" in a.state]:
        lines.append(f"cleared, and nobody has confirmed: {', '.join(str(a.occurrence) for a in left)}")
    lines += [
        f"{s.target}: {s.what} until {_clock(s.until_ms, zone)} by {s.by}" + (f" ({s.why})" if s.why else "")
        for s in view.said
    ]
    boilers = tuple(
        BoilerDay(
            name=b.name,
            conductivity=b.conductivity,
            limit=b.high,
            cycles=_value(by_name.get(f"{b.name}.cycles") or by_name.get(f"{b.name}.cycles_apparent")),
            blows=blows.get(b.name, (0, 0))[0],
            blowing_s=blows.get(b.name, (0, 0))[1] / 1000,
            standing=sum(a.target == b.name for a in standing),
        )
        for b in view.boilers
    )
    return Daily(
        from_ms=from_ms,
        to_ms=to_ms,
        boilers=boilers,
        standing=tuple(lines),
        over=over,
        figures=tuple(_figures(view, plant, by_name, system, copy)),
        due=(*due_lines(view.tests, to_ms), *_calibrations(view, plant, to_ms, zone)),
        head=head,
    )


def _figures(
    view: View, plant: Plant, by_name: dict[str, FigureView], system: System, copy: str
) -> list[tuple[str, str]]:
    out = []
    for m in view.meters:
        shown = "not known" if m.yesterday is None else say(m.yesterday, _volume(m.measures), system)
        out.append((f"{m.name} yesterday", shown))
    for f in view.figures:
        if f.name.rpartition(".")[2] in ("share", "condensate_return", "blowdown_of_feedwater", "dose") and _value(f):
            out.append((f"{f.target}: {f.label}", say(f.value or 0.0, f.unit, system)))
    for t in view.tanks:
        holds = "not known" if t.volume is None else say(t.volume, "m3", system)
        left = _days_left(t.name, t.volume, plant, by_name)
        out.append(
            (t.name, holds + (f", about {left:.0f} days at the use of the last 24 h" if left is not None else ""))
        )
    if copy:
        out.append(("Copy to the central server", copy))
    return out


def _days_left(tank: str, volume: float | None, plant: Plant, by_name: dict[str, FigureView]) -> float | None:
    """Days a tank lasts at what was fed in the last 24 h; None where that cannot be told."""
    fed = [_value(by_name.get(f"{c.name}.fed")) for c in plant.chemicals if c.tank == tank]
    if volume is None or not fed or any(x is None for x in fed):
        return None
    litres = sum(x or 0.0 for x in fed)
    return volume * 1000 / litres if litres > 0 else None


def _calibrations(view: View, plant: Plant, now_ms: int, zone: tzinfo) -> list[str]:
    out = []
    for b, v in zip(plant.boilers, view.boilers, strict=False):
        every = b.conductivity.calibrate_every if b.conductivity else None
        if every is None:
            continue
        if not v.calibrated_ms:
            out.append(f"{b.name} conductivity: no calibration on record, wanted every {every / 86400:.0f} days")
        elif now_ms - v.calibrated_ms >= every * 1000:
            out.append(f"{b.name} conductivity: calibration due, the last one was on {_clock(v.calibrated_ms, zone)}")
    return out


def _value(f: FigureView | None) -> float | None:
    return None if f is None or f.quality == "bad" else f.value


def _volume(measures: str) -> str:
    return "m3 gas" if measures == "fuel" else "m3"


def _title(kind: str) -> str:
    from daemon.alarms.kinds import KINDS

    return _lower(KINDS[kind].title) if kind in KINDS else kind


def _lower(title: str) -> str:
    return title if title.isupper() else title[:1].lower() + title[1:]


def _clock(at_ms: int, zone: tzinfo) -> str:
    return datetime.fromtimestamp(at_ms / 1000, zone).strftime("%a %d %b %H:%M")
