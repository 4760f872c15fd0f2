"""`status`: from the running service where there is one, else from the store it left.

May import: daemon.app.ask, daemon.app.view, daemon.store, daemon.engine.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from daemon.app.due import DueView
from daemon.app.view import AlarmView, BoilerView, FigureView, MeterView, ModuleView, SaidView, TankView, View, view_of


@dataclass(frozen=True, slots=True)
class Status:
    """The view, where it comes from, and how many mails are in which state."""

    store: Path
    running: bool
    view: View | None
    mails: dict[str, int]
    records: str = ""  # COUNT:HASH of the chained records, for `doctor --against`
    duty: str = ""  # who is on duty now and next
    held: int = 0  # messages that wait for the end of quiet hours, or to go in one mail
    copy: str = ""  # how far the copy to a central server is, "" where none is wanted

    @property
    def well(self) -> bool:
        """True when the service runs, stores, hears every module, and no alarm stands."""
        v = self.view
        standing = ("unacknowledged", "acknowledged")
        return (
            self.running
            and v is not None
            and not v.trouble
            and all(m.answers for m in v.modules)
            and not any(a.state in standing for a in v.alarms)
        )

    def as_json(self) -> dict[str, Any]:
        """For programs: every figure in base units, times in ms UTC."""
        return {
            "store": str(self.store),
            "running": self.running,
            "well": self.well,
            "mails": self.mails | {"held": self.held},
            "duty": self.duty,
            "records": self.records,
            "copy": self.copy,
            "view": self.view.as_json() if self.view else None,
        }

    def show(self, *, figures: bool = False) -> None:
        """Print it for people; with `figures` all that is reckoned over the last 24 hours too."""
        from rich.console import Console

        from daemon.app.figures import figure_table, odd_line
        from daemon.app.live import table

        console = Console()
        if not self.running:
            console.print(f"The service for {self.store} is not running: this is where it stopped.", markup=False)
        if self.view is None:
            console.print("Nothing has been stored yet.")
        else:
            console.print(table(self.view, console.width))
            if self.view.figures and figures:
                console.print(figure_table(self.view))
            elif line := odd_line(self.view):
                console.print(line, markup=False)
        waiting, refused = self.mails.get("waiting", 0), self.mails.get("refused", 0)
        held = f", {self.held} messages held for quiet hours or to go together" if self.held else ""
        console.print(f"mails: {self.mails.get('sent', 0)} sent, {waiting} waiting, {refused} refused{held}")
        if self.duty:
            console.print(f"on duty: {self.duty}", markup=False, soft_wrap=True)
        if self.copy:
            console.print(f"copy: {self.copy}", markup=False, soft_wrap=True)
        console.print(f"records: {self.records}", markup=False, soft_wrap=True)


def read_status(store: Path) -> Status:
    """Ask the service; where none runs, step what it stored after its last snapshot."""
    from daemon.app.ask import AskError, NoService, ask
    from daemon.store.chain import say_head
    from daemon.store.reader import Reader

    with Reader(store) as reader:
        mails, records = dict(reader.mail_counts()), say_head(*reader.head())
        running = True
        try:
            found: View | None = view_from_json(ask(store, {"ask": "view"}, 10.0)["view"])
        except NoService:
            running, found = False, _stored_view(reader)
        except AskError:
            found = _stored_view(reader)
        duty = _on_duty(store, found) if running else ""
        return Status(store, running, found, mails, records, duty, reader.notices_waiting(), copied_so_far(reader))


def _on_duty(store: Path, view: View | None) -> str:
    """Who is on duty by the running service, "" where it does not say."""
    from daemon.app.ask import AskError, ask

    try:
        who = ask(store, {"ask": "telling"}, 10.0)
    except AskError:
        return ""
    sign = f". The sign of life is not taken: {who['sign']}" if who.get("sign") else ""
    text = ", ".join(who["now"]) or "nobody: everybody is told"
    if not who["rota"]:
        return f"{text} (no rota: everybody, always){sign}"
    if who["next_ms"] and view is not None:
        at = datetime.fromtimestamp(who["next_ms"] / 1000, ZoneInfo(view.zone)).strftime("%a %d %b %H:%M")
        text += f"; from {at}: {', '.join(who['next']) or 'nobody'}"
    return (f"{text}. {who['trouble']}" if who["trouble"] else text) + sign


def copied_so_far(reader: Any) -> str:
    """How far the copy to the central server of the newest plant file is; "" where none is wanted."""
    from daemon.app.copying import destination

    last = reader.last()
    copy = reader.plant(last.plant).copy_to if last is not None else None
    if copy is None:
        return ""
    number, _ = reader.copied(destination(copy))
    behind = last.number - number
    if not number:
        return f"{destination(copy)} has taken nothing yet; {behind} polls wait"
    return f"{destination(copy)} has poll {number}; {behind} wait, or were sent since it was last noted"


def view_from_json(data: dict[str, Any]) -> View:
    """The view another process wrote by `as_json`."""
    return View(
        **{
            **data,
            "boilers": tuple(BoilerView(**b) for b in data["boilers"]),
            "meters": tuple(MeterView(**m) for m in data["meters"]),
            "alarms": tuple(AlarmView(**a) for a in data["alarms"]),
            "modules": tuple(ModuleView(**m) for m in data["modules"]),
            "tanks": tuple(TankView(**t) for t in data.get("tanks", ())),
            "figures": tuple(FigureView(**f) for f in data.get("figures", ())),
            "said": tuple(SaidView(**x) for x in data.get("said", ())),
            "tests": tuple(DueView(**t) for t in data.get("tests", ())),
        }
    )


def _stored_view(reader: Any) -> View | None:
    from daemon.app.stepping import advance
    from daemon.engine import FORMAT, SnapshotError, State, restore

    last = reader.last()
    if last is None:
        return None
    state: State | None = None
    after = 0
    for snapshot in reader.snapshots():
        try:
            if snapshot.format == FORMAT:
                state, after = restore(reader.plant(snapshot.plant), snapshot.body), snapshot.group
                break
        except SnapshotError:
            continue
    for stored in reader.groups_after(after):
        state, _ = advance(state, stored.group, reader.plant)
    return view_of(reader.plant(last.plant), state, now_ms=last.at_ms)
