"""The service: opens the store, resumes the engine, polls, stores, mails, answers the letterbox, until told to stop.

Lives here: the joining of all rooms and their life from start to stop, reload included. What is decided is decided
elsewhere. May import: everything below.
"""

from __future__ import annotations

import asyncio
import logging
import os
import secrets
import signal
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from config.load import PlantFileError, PlantText, load
from config.model import Plant
from daemon.acquire.poller import Polled, Poller
from daemon.app.acts import ACTS
from daemon.app.archiving import Archiver
from daemon.app.clocking import correct_clock
from daemon.app.copying import Copying
from daemon.app.daily import DailyBrief
from daemon.app.endings import note_stop, why_ended
from daemon.app.keeper import Keeper
from daemon.app.letterbox import ActRefused, Letterbox, Progress
from daemon.app.mending import work_out
from daemon.app.next_reading import next_reading, probe_now
from daemon.app.picturing import Pictures
from daemon.app.replying import Replies
from daemon.app.resume import Plants, resume
from daemon.app.sdnotify import Manager, Watch
from daemon.app.telling_desk import TellingDesk
from daemon.app.timebase import TimeBase
from daemon.app.wrong_clock import Doubts, nobody_tells, trusted_ms
from daemon.core.clock import Clock, SystemClock, pause, synchronised
from daemon.core.outcome import GroupOutcome, MailRow
from daemon.core.scan import Group
from daemon.engine import State
from daemon.notify.dealer import Dealer
from daemon.notify.sender import Sender
from daemon.notify.sign import SignSender
from daemon.store.errors import StoreError
from daemon.store.writer import Writer
from drivers.contract import Answer, Driver, Fault, Identifies, ReadPlan, nothing
from drivers.registry import open_link
from drivers.tap import Hook

if TYPE_CHECKING:
    from daemon.app.view import View

log = logging.getLogger("waterside")

HOUSEKEEPING_S: Final = 20.0  # plant seconds between looks at the disk
STOP_S: Final = 1.5  # real seconds the mail in flight has to end at stop

Seen = Callable[[Group, GroupOutcome], None]


@dataclass(slots=True)
class Options:
    """How the service is run; none of it is in the plant file."""

    store: Path
    clock: Clock
    outbox: Path  # folder for mails where the plant has no [mail]
    demo_speed: float | None = None
    ledger_fd: int | None = None  # a pipe that gets each group's number after its commit
    runtime: str = ""  # $RUNTIME_DIRECTORY
    signals: bool = True
    kept: Callable[[], bool | None] = nobody_tells  # does a time server keep the clock?
    capture: Path | None = None  # folder for the frames of every link, as text


def default_options(plant: Plant, store: Path | None) -> Options:
    """Where things are kept: as told, else as the plant file says, else the state directory, else ./var."""
    state = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    path = store or (Path(plant.store.path) if plant.store.path else Path(state or "var") / "waterside.db")
    runtime = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    return Options(path, SystemClock(), path.parent / "outbox", runtime=runtime, kept=synchronised)


class Service:
    """One run. `run` returns when the service has stopped with everything committed."""

    def __init__(self, source: PlantText, options: Options) -> None:
        self.source, self.options = source, options
        self._listeners: list[Seen] = []
        self.problems: tuple[str, ...] = ()
        self.ready = asyncio.Event()
        self._stop = asyncio.Event()
        self._reload = asyncio.Event()
        self._manager = Manager()
        self._watch = Watch(x.name for x in source.plant.links)
        self._plants: Plants
        self._writer: Writer
        self._keeper: Keeper
        self._poller: Poller
        self._dealer: Dealer
        self._telling: TellingDesk
        self._sign: SignSender
        self._sender: Sender
        self._reported: dict[str, bool] = {}
        self._troubles: dict[str, str] = {}  # of the mail, by whose they are

    def stop(self) -> None:
        """Ask the service to stop; `run` returns when all is committed."""
        self._stop.set()

    def on_stored(self, listener: Seen) -> Callable[[], None]:
        """Call `listener` with each group and its outcome once they are stored, until what is returned is called."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    def view(self) -> View:
        """The plant as it stands in memory, for the live table and `status`."""
        from daemon.app.view import view_of

        keeper, poller = self._keeper, self._poller
        return view_of(
            keeper.plant,
            keeper.state,
            now_ms=self.options.clock.now_ms(),
            speed=self.options.clock.speed,
            modules=poller.modules,
            trouble=keeper.trouble.why if keeper.trouble else "",
        )

    async def run(self) -> None:
        """From start to stop. StoreError, OSError and letterbox.Busy when it cannot start."""
        o = self.options
        plant = self.source.plant
        self._hear_signals()  # before anything is opened: whoever stops it while it starts finds it stopping whole
        try:
            self._writer = await Writer.open(o.store, durable=plant.store.durable, owner=plant.plant.name)
            await self._live(plant)
        finally:
            self._hear_no_signals()

    async def _live(self, plant: Plant) -> None:
        try:
            await self._start(plant)
            async with asyncio.TaskGroup() as tasks:
                helpers = [
                    tasks.create_task(self._sender.run(), name="sender"),
                    tasks.create_task(self._keep_house(), name="housekeeping"),
                    tasks.create_task(self._sign.run(), name="sign of life"),
                    tasks.create_task(self._feed(), name="watchdog"),
                    tasks.create_task(work_out(self._writer, self._keep_minutes), name="averages"),
                    tasks.create_task(Archiver(self._writer, self._plant, self.options.clock).run(), name="archive"),
                    tasks.create_task(self._copying.run(), name="copy"),
                    tasks.create_task(self._replies.run(), name="replies"),
                ]
                await self._poll()
                for task in helpers:
                    task.cancel()
        finally:
            await self._writer.aclose()
        log.info("stopped; everything is stored")

    def _plant(self) -> Plant:
        return self.source.plant

    def _keep_minutes(self) -> float:
        return self.source.plant.store.keep_minutes

    async def _start(self, plant: Plant) -> None:
        o, writer = self.options, self._writer
        self._plants = Plants(writer)
        found = await resume(writer, self._plants)
        if found.differing:
            log.error(
                "%d stored groups gave another journal when stepped again. What was stored stands; the store's events "
                "say which groups. Keep a copy of the store and report it.",
                found.differing,
            )
        last = await writer.last()
        base = TimeBase.after(o.clock, last.elapsed_ms if last else None, last.at_ms if last else 0)
        now = o.clock.now_ms()
        run = secrets.token_hex(4)
        segments, corrections = await writer.clock()
        doubts = Doubts(trusted_ms(segments, corrections, last), o.kept)
        doubt = doubts.about(now)
        segment = await writer.open_segment(run, base.elapsed_ms, now, "start", doubt=doubt)
        base.begin_segment(segment, base.elapsed_ms, now)
        doubts.begin(segment, base.elapsed_ms, now, doubt)
        version = await writer.add_plant_version(self.source.text, self.source.sha256, now)
        self._plants.learn(version, plant)
        brief = DailyBrief(self.view, lambda: self._keeper.plant, o.store)
        self._dealer = Dealer(writer, plant, o.clock, str(Path(self.source.file).parent), brief=brief)
        self._sender = Sender(
            writer,
            plant,
            o.clock,
            o.outbox,
            on_trouble=partial(self._mail_trouble, "sender"),
            demo_speed=o.demo_speed,
            deal=self._dealer.deal,
            token=lambda telling: self._replies.token(telling),
            exhibit=Pictures(o.store, o.clock).exhibit,
        )
        self._replies = Replies(
            writer,
            plant,
            o.clock,
            o.store,
            ack=self._ack_by_mail,
            raised=self._raised,
            wake=self._sender.wake,
            on_trouble=partial(self._mail_trouble, "mailbox"),
        )
        self._telling = TellingDesk(self._dealer, self._sender, o.store, o.clock, lambda: self._keeper.plant)
        self._sign = SignSender(lambda: self.source.plant, o.clock, self._sign_says)
        self._copying = Copying(writer, plant, o.clock, partial(self._report, "logger_copy"))
        self._keeper = Keeper(
            writer,
            found.state,
            last.number if last else 0,
            last.elapsed_ms if last else None,
            base,
            self._plants,
            version,
            run=run,
            direct=self._send_direct,
            committed=self._watch.committed,
            seen=self._stored,
            ledger_fd=o.ledger_fd,
            doubts=doubts,
            ended=await why_ended(writer, o.clock, last),
        )
        self._keeper.queue(await writer.pending_acts())
        if doubt:
            log.error("%s: what is stored is dated by it until it is set right", doubt)
            await self._keeper.report("logger_clock", True, doubt, once=True)

    async def _poll(self) -> None:
        """Poll until told to stop; a reload ends one poller and begins the next."""
        o = self.options
        box = await Letterbox.open(o.store, self._handle, runtime=o.runtime)
        origin: float | None = None
        try:
            while not self._stop.is_set():
                plant = self.source.plant
                drivers: dict[str, Driver] = {x.name: open_link(x, self._hook()) for x in plant.links}
                self._poller = Poller(
                    plant, drivers, o.clock, self._keeper.deliver, beat=self._watch.beat, origin=origin
                )
                self.problems = await self._poller.connect_all()
                for text in self.problems:
                    log.error("%s", text)
                self._manager.ready(f"watching {plant.plant.name}, {len(self.problems)} links down")
                self.ready.set()
                await self._until_stop_or_reload()
                origin = self._poller.origin
            await self._keeper.ended()
        finally:
            self._manager.stopping()
            await box.aclose()
            self._keeper.snapshot_next()
            with suppress(StoreError):
                await self._keeper.deliver(Polled(o.clock.elapsed(), ()))
                await note_stop(self._writer, o.clock)
            await self._sender.stop(STOP_S)

    def _hear_signals(self) -> None:
        if self.options.signals:
            loop = asyncio.get_running_loop()
            for s in (signal.SIGTERM, signal.SIGINT):
                loop.add_signal_handler(s, self._stop.set)
            loop.add_signal_handler(signal.SIGHUP, self._reload.set)

    def _hear_no_signals(self) -> None:
        if self.options.signals:
            loop = asyncio.get_running_loop()
            for s in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
                loop.remove_signal_handler(s)

    def _hook(self) -> Hook | None:
        if self.options.capture is None:
            return None
        from drivers.capture import capture_to

        return capture_to(self.options.capture)

    async def _until_stop_or_reload(self) -> None:
        polling = asyncio.create_task(self._poller.run(), name="poller")
        stop = asyncio.create_task(self._stop.wait())
        try:
            while True:
                reload = asyncio.create_task(self._reload.wait())
                await asyncio.wait((polling, stop, reload), return_when=asyncio.FIRST_COMPLETED)
                reload.cancel()
                if polling.done() or self._stop.is_set():
                    break
                self._reload.clear()
                if await self._accept_reload():
                    break
        finally:
            stop.cancel()
            await self._poller.stop()
            await polling

    async def _accept_reload(self) -> bool:
        """Read the plant file again; True when it is valid and now in force."""
        self._manager.reloading()
        path = Path(self.source.file)
        try:
            source = load(path)
        except (PlantFileError, OSError) as e:
            log.error("The plant file was not reloaded, the old one stays in force:\n%s", e)
            self._manager.ready("reload refused: the plant file has errors")
            return False
        if source.sha256 == self.source.sha256:
            self._manager.ready()
            return False
        try:
            version = await self._writer.add_plant_version(source.text, source.sha256, self.options.clock.now_ms())
        except StoreError as e:
            log.error("The plant file was not reloaded, the old one stays in force: %s", e)
            self._manager.ready("reload refused: it cannot be stored")
            return False
        self._plants.learn(version, source.plant)
        await self._poller.stop()  # its last group still belongs to the old plant
        self.source = source
        self._keeper.use(version)
        self._dealer.use(source.plant)
        self._sender.use(source.plant)
        self._copying.use(source.plant)
        self._replies.use(source.plant)
        self._watch.watch(x.name for x in source.plant.links)
        log.info("plant file reloaded: version %d", version)
        return True

    # ------------------------------------------------------------------ what comes in by the letterbox

    async def _handle(self, request: dict[str, Any], progress: Progress) -> dict[str, Any]:
        match request.get("ask"):
            case "view":
                return {"view": self.view().as_json()}
            case "scan":
                return await self._scan(request, progress)
            case "next reading":
                return dict(await next_reading(self._state, self.on_stored, str(request.get("boiler", "")), progress))
            case "probe now":
                return dict(await probe_now(self._state, self.on_stored, str(request.get("boiler", ""))))
            case "telling":
                return self._telling.who() | {"sign": self._sign.state.trouble}
            case "mail test":
                return await self._telling.test(str(request.get("name", "")), progress)
            case "fresh counts":
                return await self._fresh_counts(str(request.get("channel", "")))
            case None:
                return await self._act(request)
            case other:
                raise ActRefused(f"nobody here answers {other!r}.", "", "Ask for view, or give an act.")

    def _state(self) -> State | None:
        return self._keeper.state

    async def _act(self, request: dict[str, Any]) -> dict[str, Any]:
        kind = request.get("act")
        if kind == "clock":
            return await correct_clock(self._writer, self._keeper, request, self.options.clock.now_ms())
        if kind not in ACTS:
            raise ActRefused(f"the act {kind!r} is not known.", "", f"Known here: {', '.join(ACTS)}.")
        by = str(request.get("by") or request.get("login") or "").strip()
        if not by:
            raise ActRefused("an act needs a person.", "by", "Say who with --by NAME.")
        body = {k: v for k, v in request.items() if k in ACTS[kind]}
        try:
            number, result = await self._keeper.submit(kind, by[:80], body)
        except StoreError as e:
            raise ActRefused(str(e), "store", "The act was not taken; try again when it stores again.") from e
        if result:
            raise ActRefused(result, f"act {number}", "")
        return {"number": number}

    async def _scan(self, request: dict[str, Any], progress: Progress) -> dict[str, Any]:
        """Ask units one after another on a link of ours, between the polls."""
        from drivers.modbus.scan import scan

        name, units = str(request.get("link", "")), request.get("units")
        plant = self.source.plant
        if name not in {x.name for x in plant.links if x.kind != "text"}:
            raise ActRefused(
                f"there is no link {name!r} with units here.", "link", "Name a link of the plant file in force."
            )
        if not isinstance(units, list) or not all(isinstance(u, int) and 0 <= u <= 255 for u in units):
            raise ActRefused("units are a list of ids from 0 to 255.", "units", "")
        known = [m for m in plant.modules if m.link == name]
        found = []
        async for heard in scan(_Lent(self, name), units, known):
            if heard.there:
                found.append({"unit": heard.unit, "answers": dict(heard.answers), "says": dict(heard.says)})
            await progress({"unit": heard.unit, "found": len(found)})
        return {"found": found}

    async def _fresh_counts(self, ref: str) -> dict[str, Any]:
        """The counts of one channel from the next poll of its module."""
        name, _, channel = ref.partition(".")
        plant = self.source.plant
        k = next((i for i, m in enumerate(plant.modules) if m.name == name and channel in m.channels), None)
        if k is None:
            raise ActRefused(f"there is no channel {ref!r}.", "channel", "Name it as module.channel of the plant file.")
        place = list(plant.modules[k].channels).index(channel)
        answer: asyncio.Future[tuple[float | int | None, int]] = asyncio.get_running_loop().create_future()

        def look(group: Group, outcome: GroupOutcome) -> None:
            for scan in group.scans:
                if scan.module == k and not answer.done():
                    answer.set_result((scan.counts[place], scan.faults[place]))

        forget = self.on_stored(look)
        try:
            count, fault = await answer
        finally:
            forget()
        return {"count": count, "fault": fault}

    # ------------------------------------------------------------------ what runs beside the polls

    def _stored(self, group: Group, outcome: GroupOutcome) -> None:
        for e in outcome.journal:
            log.info("%s %s %s: %s %s", e.event, e.target, e.kind, e.evidence or e.state, f"[{e.occurrence}]")
        if outcome.notices or outcome.acts:  # an acknowledgement too: the others are told
            self._sender.wake()
        for listener in tuple(self._listeners):
            listener(group, outcome)

    async def _send_direct(self, rows: Sequence[MailRow]) -> None:
        await self._sender.send_direct(rows)

    async def _mail_trouble(self, whose: str, text: str) -> None:
        """What hinders the mail server or the mailbox: "" when nothing does."""
        self._troubles[whose] = text
        said = "; ".join(filter(None, self._troubles.values()))
        await self._report("logger_mail", bool(said), said or "mails are delivered again")

    async def _ack_by_mail(self, occurrence: int, person: str) -> str:
        _, result = await self._keeper.submit("ack", person, {"occurrence": occurrence, "way": "mail"})
        return result

    def _raised(self, occurrence: int) -> int | None:
        """When the alarm of a number was raised, None where none of it stands."""
        state = self._keeper.state
        cells = state.cells.alarms if state is not None else ()
        return next((c.raised_at for c in cells if c.occurrence == occurrence), None)

    def _sign_says(self) -> dict[str, Any]:
        """What goes out with the sign of life: the last stored poll, and whether the store takes what comes."""
        state, keeper = self._keeper.state, self._keeper
        return {
            "watched_ms": state.cells.senses.at if state else 0,
            "stores": keeper.trouble is None,
            "groups": keeper.groups,
        }

    async def _keep_house(self) -> None:
        clock = self.options.clock
        while True:
            writer, limit = self._writer, self.source.plant.store.low_space
            try:
                free = writer.free_bytes() / 1e6
            except OSError as e:
                log.error("free space cannot be read: %s", e)
            else:
                text = f"{free:.0f} MB free on the disk of the store, limit {limit:.0f} MB"
                await self._report("logger_disk", free < limit, text, round(free, 1), limit)
            with suppress(OSError):
                if self._keeper.trouble is None and not writer.reserve_held:
                    await writer.restore_reserve()
            await clock.sleep_until(clock.elapsed() + HOUSEKEEPING_S)

    async def _report(
        self, kind: str, active: bool, text: str, value: float | None = None, limit: float | None = None
    ) -> None:
        """Tell the engine about the service itself, on change only."""
        if self._reported.get(kind, False) is active:
            return
        if await self._keeper.report(kind, active, text, value, limit):
            self._reported[kind] = active

    async def _feed(self) -> None:
        """Feed the service manager's watchdog while every link loop beats and commits return."""
        every = min((self._manager.watchdog_s or 60.0) / 3, 5.0)
        while True:
            if late := self._watch.late():
                log.error("the watchdog is not fed: %s", late)
            else:
                self._manager.alive()
            await pause(every)


class _Lent:
    """A link of the service as a driver for reads that are no polls; its owner does them between the polls."""

    def __init__(self, service: Service, link: str) -> None:
        self._service, self._link = service, link

    async def connect(self) -> str:
        return ""

    async def read(self, plan: ReadPlan) -> Answer:
        answer = await self._service._poller.lend(self._link, lambda driver: driver.read(plan))
        return nothing(plan, Fault.STOPPING) if answer is None else answer

    async def identify(self, unit: int) -> bytes:
        async def ask(driver: Driver) -> bytes:
            return await driver.identify(unit) if isinstance(driver, Identifies) else b""

        return await self._service._poller.lend(self._link, ask) or b""

    async def aclose(self) -> None:
        """The link stays its owner's."""
