"""The live table in the terminal, or plain lines where there is none. The text library is imported when it starts.

One block a boiler house, redrawn in place; every alarm is printed above it as it happens. May import: daemon.app.view,
daemon.core, config.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from config.units import plain
from daemon.app.due import due_lines
from daemon.app.figures import cycles_line
from daemon.app.view import AlarmView, BoilerView, MeterView, SaidView, View
from daemon.core.clock import pause
from daemon.core.outcome import Entry
from daemon.core.reasons import Reason, words
from daemon.core.say import System, in_plant_units, minutes, say

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from daemon.app.service import Service

REDRAW_S: Final = 0.5
PLAIN_S: Final = 60.0  # real seconds between status lines where there is no terminal
_STYLE: Final = {"highest": "bold red", "high": "red", "medium": "yellow", "low": "cyan"}
_EVENT: Final = {
    "raised": "ALARM",
    "returned": "back to normal",
    "acknowledged": "acknowledged",
    "suppressed": "held back",
    "unsuppressed": "no longer held back",
    "removed": "removed",
    "shelved": "put aside",
    "unshelved": "no longer put aside",
    "released": "record let go of",
    "out_of_service": "out of service",
    "in_service": "back in service",
}


def event_line(e: Entry, view: View, title: str) -> str:
    """One alarm event as one line: time, what, where, numbers."""
    when = datetime.fromtimestamp(e.at_ms / 1000, ZoneInfo(view.zone)).strftime("%a %H:%M:%S")
    number = f" [{e.occurrence}]" if e.occurrence else ""
    detail = f": {e.evidence}" if e.evidence else (f" by {e.by}" if e.by else "")
    return f"{when}  {_EVENT.get(e.event, e.event)}  {e.target} {title}{number}{detail}"


def status_line(view: View) -> str:
    """The plant in one line, for logs and pipes."""
    when = datetime.fromtimestamp(view.now_ms / 1000, ZoneInfo(view.zone)).strftime("%a %H:%M")
    boilers = ", ".join(f"{b.name} {b.state} {_conductivity(b, _system(view))}" for b in view.boilers)
    silent = [m.name for m in view.modules if not m.answers]
    tail = f"; no answer: {', '.join(silent)}" if silent else ""
    return f"{when}  {boilers}; {len(view.alarms)} alarms stand{tail}"


def table(view: View, width: int = 80) -> RenderableType:
    """The whole view as a renderable."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    system = _system(view)
    now = datetime.fromtimestamp(view.now_ms / 1000, ZoneInfo(view.zone))
    speed = f" · plant time at {view.speed:g} times real time" if view.speed != 1 else ""
    parts: list[RenderableType] = [Text(f"{view.plant} · {now:%a %Y-%m-%d %H:%M:%S}{speed}", style="bold")]
    if view.trouble:
        parts.append(Text(f"NOT STORING: {view.trouble}", style="bold red"))
    grid = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    rows = [
        (
            b.name,
            Text(b.state, style="" if b.state == "steaming" else "yellow"),
            Text(_conductivity(b, system), style="" if b.quality == "good" else "yellow"),
            "" if b.age_s is None else ("now" if b.age_s < 1 else f"{minutes(round(b.age_s * 1000))} ago"),
            _probe(b, system),
            b.valve if b.valve_for_s is None else f"{b.valve} {minutes(round(b.valve_for_s * 1000))}",
        )
        for b in view.boilers
    ]
    # where the line is short, words fold; the columns with numbers are as wide as their numbers, none is ever cut
    numbers = [len(_conductivity(b, system)) for b in view.boilers if b.conductivity is not None]
    fixed = {
        "conductivity": max([12, *numbers]),
        "taken": max([5, *(len(r[3]) for r in rows)]),
        "valve": max([5, *(len(r[5]) for r in rows)]),
    }
    for head in ("boiler", "state", "conductivity", "taken", "probe now", "valve"):
        grid.add_column(head, header_style="dim", width=fixed.get(head), overflow="fold")
    for cells in rows:
        grid.add_row(*cells)
    parts.append(grid)
    if view.meters:
        meters = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
        for head in ("meter", "total", "rate", "today", "yesterday"):
            meters.add_column(head, header_style="dim", no_wrap=True)
        for m in view.meters:
            unit = "m3 gas" if m.measures == "fuel" else "m3"
            days = ("" if v is None else say(v, unit, system) for v in (m.today, m.yesterday))
            meters.add_row(m.name, say(m.total, unit, system), rate_text(m, system), *days)
        parts.append(meters)
    parts.extend(Text(line, style="dim") for line in _beside(view))
    if line := tanks_line(view):
        parts.append(Text(line, style="dim"))
    if line := cycles_line(view):
        parts.append(Text(line, style="dim"))
    parts.extend(Text(said_line(x, view.zone), style="yellow") for x in view.said)
    parts.extend(Text(line, style="yellow") for line in due_lines(view.tests, view.now_ms))
    parts.append(Text(_contacts_and_modules(view), style="dim"))
    learned = [f"{b.name} {b.signal}" for b in view.boilers if b.signal and "(stated)" not in b.signal]
    if learned:
        parts.append(Text(f"probe signal: {'; '.join(learned)}", style="dim"))
    silent = [f"{m.name} ({m.detail or 'no answer'})" for m in view.modules if not m.answers]
    if silent:
        parts.append(Text(f"no answer from: {', '.join(silent)}", style="red"))
    parts.extend(_alarm(a, view) for a in view.alarms)
    if not view.alarms:
        parts.append(Text("no alarm stands", style="dim"))
    return Group(*parts)


def rate_text(m: MeterView, system: System) -> str:
    """A flow as people read it; where few pulses leave it open, within bounds."""
    unit = "m3/h gas" if m.measures == "fuel" else "m3/h"
    if m.rate is None:
        return ""
    if m.rate_reason != words(Reason.FEW_PULSES) or m.rate_low is None:
        return say(m.rate, unit, system)
    if m.rate_high is None:
        return f"over {say(m.rate_low, unit, system)}"
    if not m.rate_low:
        return f"under {say(m.rate_high, unit, system)}"
    return f"{plain(in_plant_units(m.rate_low, unit, system)[0])} to {say(m.rate_high, unit, system)}"


def tanks_line(view: View) -> str:
    """What the tanks hold."""
    system = _system(view)
    parts = [
        f"{t.name} {t.reason}"
        if t.volume is None
        else f"{t.name} {say(t.volume, 'm3', system)} ({plain(100 * t.volume / t.full)} %)"
        for t in view.tanks
    ]
    return f"tanks: {', '.join(parts)}" if parts else ""


def _beside(view: View) -> list[str]:
    """What goes with the conductivities: dissolved solids with their label, corrections made in the log."""
    out = []
    for b in view.boilers:
        if b.cutoff:
            at = datetime.fromtimestamp(b.cutoff_ms / 1000, ZoneInfo(view.zone))
            out.append(f"{b.name} {at:%a %Y-%m-%d %H:%M} {b.cutoff}")
        if b.solids is not None:
            out.append(f"{b.name} dissolved solids {plain(b.solids)} {b.solids_unit} ({b.solids_source})")
        if b.correction:
            out.append(f"{b.name} corrected in the log: {b.correction}")
    out.extend(bleed_line(m, _system(view)) for m in view.meters if m.bleed is not None)
    return out


def bleed_line(m: MeterView, system: System) -> str:
    """What passes a blowdown meter with the valves shut."""
    said = "" if m.bleed_stated is None else f"; the plant file says {say(m.bleed_stated, 'kg/h', system)}"
    now = f"{say(m.bleed_now, 'kg/h', system)} of late"
    return f"{m.name} with the valves shut: {say(m.bleed or 0.0, 'kg/h', system)} is usual, {now}{said}"


def said_line(x: SaidView, zone: str) -> str:
    """What somebody said, until when, who and why, in a line."""
    until = datetime.fromtimestamp(x.until_ms / 1000, ZoneInfo(zone))
    return f"{x.target or 'house'} {x.what} until {until:%a %Y-%m-%d %H:%M}, by {x.by}" + (
        f": {x.why}" if x.why else ""
    )


def _contacts_and_modules(view: View) -> str:
    circuits = ", ".join(f"{b.name} {b.interlock}" for b in view.boilers if b.interlock != "not wired")
    answering = sum(m.answers for m in view.modules)
    return (f"limit circuit: {circuits} · " if circuits else "") + f"{answering} of {len(view.modules)} modules answer"


def _alarm(a: AlarmView, view: View) -> RenderableType:
    from rich.text import Text

    since = datetime.fromtimestamp(a.since_ms / 1000, ZoneInfo(view.zone)).strftime("%H:%M")
    line = f"{a.priority:<7} {a.target} {a.title} [{a.occurrence}] since {since}: {a.meaning}"
    return Text(line, style=_STYLE.get(a.priority, "") if a.state in ("unacknowledged", "acknowledged") else "dim")


def _system(view: View) -> System:
    return "us" if view.units == "us" else "si"


def _conductivity(b: BoilerView, system: System) -> str:
    if b.conductivity is None:
        return b.reason
    return say(b.conductivity, "uS/cm (neutralised)" if b.neutralised else "uS/cm", system) + (
        "" if b.quality == "good" else f" {b.quality}"
    )


def _probe(b: BoilerView, system: System) -> str:
    if b.probe is None:
        return b.probe_reason
    value = say(b.probe, "uS/cm", system).split()[0]
    return value if b.probe_reason == "good" else f"{value} ({b.probe_reason})"


class Screen:
    """Prints events as they come; `run` redraws the table until cancelled."""

    def __init__(self, service: Service, console: Console, *, terminal: bool) -> None:
        self._service, self._console, self._terminal = service, console, terminal

    def event(self, e: Entry, title: str) -> None:
        """Print one line of the alarm journal."""
        line = event_line(e, self._service.view(), title)
        style = _STYLE.get(e.priority, "") if e.event == "raised" else "dim"
        self._console.print(line, style=style if self._terminal else "", highlight=False, markup=False)

    async def run(self) -> None:
        """Draw until cancelled."""
        await self._service.ready.wait()
        if not self._terminal:
            while True:
                self._console.print(status_line(self._service.view()), highlight=False, markup=False)
                await pause(PLAIN_S)
        from rich.live import Live

        with Live(console=self._console, auto_refresh=False, transient=False) as live:
            while True:
                live.update(table(self._service.view(), self._console.width), refresh=True)
                await pause(REDRAW_S)


def attach(service: Service) -> Callable[[], Coroutine[Any, Any, None]]:
    """Make the service print its events; the returned coroutine draws the table."""
    from rich.console import Console

    from daemon.alarms.kinds import KINDS

    console = Console(soft_wrap=False)
    screen = Screen(service, console, terminal=console.is_terminal)

    def stored(group: object, outcome: Any) -> None:
        for e in outcome.journal:
            screen.event(e, KINDS[e.kind].title if e.kind in KINDS else e.kind)

    service.on_stored(stored)
    return screen.run
