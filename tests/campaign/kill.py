"""The service killed at random moments under load, against a ledger kept outside it.

The service polls a peer that moves with every poll, raises and clears alarms, mails them to a real SMTP server, and
reports each committed group number on a pipe. It is killed with SIGKILL in start-up, while running, right after a
SIGHUP, while every commit carries a snapshot, and while the mail server is taking a mail. At the end:

- every number that was reported is in the store, and the numbers have no hole;
- every stored count was served by the peer, in the order it was served, and the meter's total is what the peer
  counted between the first and the last stored group;
- stepping the whole store again from nothing gives the very journal that is stored, and the state the snapshots led to;
- no occurrence was raised twice, each alarm's events take turns, no mail row is there twice, and each notice that was
  decided is in one row for each person;
- a mail that arrived twice did so under one Message-ID.
"""

from __future__ import annotations

import os
import random
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from email import message_from_bytes
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller

from daemon.app.stepping import advance
from daemon.notify.outbox import notice_key
from daemon.notify.stored import telling_of
from daemon.store.proving import prove
from daemon.store.reader import Reader
from tests.support.living_peer import LivingPeer

PHASES = ("start-up", "running", "reload", "snapshot", "mail")
PEOPLE = ("oncall@quillmarsh.example", "facilities@quillmarsh.example")

PLANT = """[plant]
name = "Quillmarsh Creamery"
zone = "America/Chicago"
units = "us"
[[link]]
name = "panel"
kind = "modbus-tcp"
host = "127.0.0.1"
port = {port}
timeout = "500 ms"
[[module]]
name = "m"
link = "panel"
every = "100 ms"
[module.channels]
cond = {{ function = "input", address = 0, span = "0..65535 = 0..20 mA" }}
pulses = {{ function = "input", address = 20, type = "u16" }}
blow = {{ function = "discrete", address = 0 }}
limit = {{ function = "discrete", address = 1 }}
[[boiler]]
name = "B1"
pressure = "120 psig"
conductivity = {{ channel = "m.cond", range = "4..20 mA = 0..5000 uS/cm", signal = "live", set_point = "3000 uS/cm", differential = "100 uS/cm" }}
sample = {{ arrangement = "continuous", flush = "0 s" }}
blowdown_valve = {{ command = "m.blow", travel = "1 s" }}
interlock = {{ contact = "m.limit", closed_means = "running" }}
[[meter]]
name = "makeup"
channel = "m.pulses"
measures = "makeup"
pulse = "1 L"
max_rate = "400 m3/h"
serves = ["B1"]
[alarms.conductivity_high]
on_delay = "0 s"
off_delay = "0 s"
priority = "{priority}"
[store]
snapshot_every = "{snapshot}"
[[person]]
name = "On call"
mail = "oncall@quillmarsh.example"
[[person]]
name = "Facilities"
mail = "facilities@quillmarsh.example"
[mail]
server = "127.0.0.1"
port = {smtp}
security = "none"
sender = "boilers@quillmarsh.example"
"""  # noqa: E501


class Taker:
    """A mail server's handler: takes a little while over each mail, keeps what it took, says when it is at it."""

    def __init__(self) -> None:
        self.mails: list[bytes] = []
        self.taking = threading.Event()

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        import asyncio

        self.taking.set()
        await asyncio.sleep(0.03)
        self.mails.append(envelope.content)
        return "250 taken"


class Campaign:
    """One run: the folder, the peer, the mail server, and the ledger."""

    def __init__(self, folder: Path, kills: int, seed: int) -> None:
        self.folder, self.kills = folder, kills
        self.random = random.Random(seed)
        self.peer = LivingPeer(seed)
        self.taker = Taker()
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.smtp = Controller(self.taker, hostname="127.0.0.1", port=probe.getsockname()[1])
        self.store = folder / "waterside.db"
        self.plant = folder / "plant.toml"
        self.reported: set[int] = set()
        self.fell: Counter[str] = Counter()
        self.versions = 0

    def write_plant(self, snapshot: str = "5 s") -> None:
        """A plant file that differs from the last one, so that a reload is one."""
        self.versions += 1
        text = PLANT.format(
            port=self.peer.tap.port,
            smtp=self.smtp.port,
            snapshot=snapshot,
            priority=("high", "medium")[self.versions % 2],
        )
        part = self.plant.with_suffix(".part")
        part.write_text(f"# version {self.versions}\n{text}")
        part.replace(self.plant)

    def once(self, phase: str) -> None:
        """Start the service, kill it in a phase, and keep what it reported."""
        self.write_plant("100 ms" if phase == "snapshot" else "5 s")
        read, write = os.pipe()
        command = [sys.executable, "-P", "-m", "daemon", "run", str(self.plant), "--store", str(self.store)]
        command += ["--ledger-fd", str(write)]
        with (self.folder / "service.log").open("ab") as log:
            service = subprocess.Popen(command, pass_fds=(write,), stdout=log, stderr=log)
        os.close(write)
        ledger = _Ledger(read)
        try:
            if phase == "start-up":
                time.sleep(self.random.uniform(0.0, 1.2))
            else:
                ledger.wait(self.random.randint(3, 12), service)
                self._moment(phase, service, ledger)
        finally:
            service.send_signal(signal.SIGKILL)
            service.wait()
        self.fell[phase] += 1
        self.reported |= ledger.close()

    def _moment(self, phase: str, service: subprocess.Popen[bytes], ledger: _Ledger) -> None:
        if phase == "reload":
            self.write_plant()
            service.send_signal(signal.SIGHUP)
            time.sleep(self.random.uniform(0, 0.25))
        elif phase == "mail":
            self.taker.taking.clear()
            self.taker.taking.wait(10)
            time.sleep(self.random.uniform(0, 0.06))
        else:
            ledger.wait(ledger.seen + 1, service)
            time.sleep(self.random.uniform(0, 0.15))

    def run(self) -> dict[str, object]:
        """All kills, then one quiet run that ends by SIGTERM, then the reckoning."""
        self.smtp.start()
        try:
            with self.peer:
                for n in range(self.kills):
                    self.once(PHASES[n % len(PHASES)] if n < len(PHASES) else self.random.choice(PHASES))
                    if (n + 1) % 20 == 0:
                        print(f"{n + 1} kills: {dict(self.fell)}", file=sys.stderr, flush=True)
                self._quiet_run()
                figures = self._reckon()
        finally:
            self.smtp.stop()
        return figures

    def _quiet_run(self) -> None:
        self.write_plant()
        read, write = os.pipe()
        command = [sys.executable, "-P", "-m", "daemon", "run", str(self.plant), "--store", str(self.store)]
        with (self.folder / "service.log").open("ab") as log:
            service = subprocess.Popen([*command, "--ledger-fd", str(write)], pass_fds=(write,), stdout=log, stderr=log)
        os.close(write)
        ledger = _Ledger(read)
        ledger.wait(20, service)
        service.terminate()
        if service.wait(20) != 0:
            raise AssertionError(f"the service ended with {service.returncode} after SIGTERM; see {log.name}")
        self.reported |= ledger.close()

    def _reckon(self) -> dict[str, object]:
        wrong: list[str] = []
        with Reader(self.store) as reader:
            stored = list(reader.groups_after(0))
            journal = [e for s in stored for e in s.journal]
            numbers = [s.group.number for s in stored]
            if numbers != list(range(1, len(numbers) + 1)):
                wrong.append("the group numbers have a hole")
            if missing := self.reported - set(numbers):
                wrong.append(f"reported but not stored: {sorted(missing)[:5]}")
            total, pulses = self._counts(reader, stored, wrong)
            self._journal(journal, wrong)
            mails = list(reader.mails())
            found = list(reader.notices())
            notices, dealt = {n.key for n in found}, {n.key for n in found if n.dealt_ms is not None}
            self._mails(mails, journal, notices, dealt, wrong)
            events = [e.text for e in reader.events() if e.kind == "journal differs"]
            wrong += events[:3]
            wrong += reader.integrity()
            wrong += [f"the averages of groups {a} to {b} are not those of the polls" for a, b in prove(reader).bad]
        return {
            "passed": not wrong,
            "wrong": wrong,
            "kills": sum(self.fell.values()),
            "fell": dict(self.fell),
            "groups": len(numbers),
            "reported": len(self.reported),
            "pulses": pulses,
            "meter_total": total,
            "alarm_events": len(journal),
            "mails": len(mails),
            "mails_taken": len(self.taker.mails),
        }

    def _counts(self, reader: Reader, stored: list[Any], wrong: list[str]) -> tuple[int, int]:
        served = iter(self.peer.served)
        first = last = None
        for s in stored:
            for scan in s.group.scans:
                raw = scan.counts[1]
                if raw is None:
                    continue
                last = next((c for c in served if c % 65536 == raw), None)
                if last is None:
                    wrong.append(f"group {s.group.number} holds a count the peer did not serve in this order: {raw}")
                    return 0, 0
                first = last if first is None else first
        state = None
        for s in stored:
            state, outcome = advance(state, s.group, reader.plant)
            if outcome.journal != s.journal:
                wrong.append(f"stepping again from nothing gives another journal in group {s.group.number}")
                break
        assert state is not None and first is not None and last is not None
        total = state.cells.senses.counters[0].total
        if total != last - first:
            wrong.append(f"the meter's total is {total}, the peer counted {last - first}")
        return total, last - first

    def _journal(self, journal: list[Any], wrong: list[str]) -> None:
        raised = Counter(e.occurrence for e in journal if e.event == "raised")
        if twice := [n for n, k in raised.items() if k > 1]:
            wrong.append(f"raised twice: {twice[:5]}")
        standing: dict[tuple[str, str], bool] = {}
        for e in journal:
            key = (e.target, e.kind)
            if e.event in ("raised", "returned"):
                if standing.get(key, False) is (e.event == "raised"):
                    wrong.append(f"{e.event} twice running: {key} [{e.occurrence}]")
                standing[key] = e.event == "raised"
        if sum(raised.values()) < self.kills // 2:
            wrong.append(f"only {sum(raised.values())} alarms: that was no load")

    def _mails(
        self, mails: list[Any], journal: list[Any], notices: set[str], dealt: set[str], wrong: list[str]
    ) -> None:
        rows = Counter(m.key for m in mails)
        if twice := [k for k, n in rows.items() if n > 1]:
            wrong.append(f"mail rows there twice: {twice[:5]}")
        told = {(e.occurrence, e.event) for e in journal if e.kind == "conductivity_high" and e.event == "raised"}
        written = {(notice_key(n), m.recipient) for m in mails if (t := telling_of(m.body)) for n in t[0].notices}
        want = {(key, person) for key in dealt for person in PEOPLE}
        if lacking := want - written:
            wrong.append(f"decided and in no mail: {sorted(lacking)[:5]}")
        if unknown := {f"{n}.{event}" for n, event in told} - notices:
            wrong.append(f"raised without a notice: {sorted(unknown)[:5]}")
        sent = Counter(message_from_bytes(m)["Message-ID"] for m in self.taker.mails)
        row_ids = len({m.key for m in mails})
        if len(sent) > row_ids:
            wrong.append(f"{len(sent)} different mails arrived, {row_ids} rows are stored")


class _Ledger:
    """The numbers a service reported, read as they come."""

    def __init__(self, fd: int) -> None:
        self._file = os.fdopen(fd, "rb")
        self._numbers: set[int] = set()
        self.seen = 0
        self._news = threading.Condition()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        for line in self._file:
            if line.endswith(b"\n"):
                with self._news:
                    self._numbers.add(int(line))
                    self.seen += 1
                    self._news.notify_all()

    def wait(self, count: int, service: subprocess.Popen[bytes]) -> None:
        """Until so many groups of this run were reported."""
        with self._news:
            while self.seen < count:
                if not self._news.wait(30) or service.poll() is not None:
                    raise AssertionError(f"the service reported {self.seen} groups and then nothing more for 30 s")

    def close(self) -> set[int]:
        """All numbers, once the service is dead."""
        self._thread.join(10)
        self._file.close()
        return self._numbers


def main(quick: bool) -> dict[str, object]:
    """200 kills, or 12 with `quick`."""
    seed = int(os.environ.get("WATERSIDE_SEED", "0")) or random.SystemRandom().randrange(1, 2**31)
    print(f"seed {seed} (WATERSIDE_SEED={seed} repeats the choices)", file=sys.stderr)
    return campaign(12 if quick else 200, seed)


def campaign(kills: int, seed: int) -> dict[str, object]:
    """So many kills; the folder is kept when something was wrong."""
    folder = Path(tempfile.mkdtemp(prefix="waterside-kill-"))
    figures = Campaign(folder, kills, seed).run()
    if figures["passed"]:
        for file in sorted(folder.glob("**/*"), reverse=True):
            file.unlink() if file.is_file() else file.rmdir()
        folder.rmdir()
    return {"seed": seed, **figures, "kept": "" if figures["passed"] else str(folder)}
