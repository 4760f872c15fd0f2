"""A service's life over real links, replayed from its own export: acts, a reload and a SIGKILL in it.

The service polls a peer we did not write that moves with every poll and raises and clears alarms. An alarm is
confirmed and one put aside by the command line, the plant file is changed and read anew, the process is killed and
started again. Then `waterside export --format raw` and `waterside replay`, as a user does: the journal that the replay
writes (number, alarm, event, state, time, value, limit, evidence) must be the stored one, row by row, from the
beginning and from a state in the middle.
"""

from __future__ import annotations

import csv
import json
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from daemon.report.replay import ALARM_COLUMNS, alarm_cells
from daemon.store.reader import Reader
from tests.campaign.kill import PLANT
from tests.support.living_peer import LivingPeer
from tests.support.service import Running, running

PERSON = "J. Ortiz"


def main(quick: bool) -> dict[str, object]:
    """How much was lived and replayed, and what was not the same."""
    polls = 240 if quick else 2400
    with tempfile.TemporaryDirectory(prefix="waterside-life-") as d, LivingPeer(5) as peer:
        return _Life(Path(d), peer.tap.port).run(polls)


class _Life:
    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder, port
        self.plant, self.store = folder / "plant.toml", folder / "w.db"
        self.done: dict[str, int] = {"ack": 0, "shelve": 0, "reload": 0, "kill": 0}

    def write(self, priority: str) -> None:
        text = PLANT.format(port=self.port, smtp=25, snapshot="2 s", priority=priority)
        text = text[: text.index("[mail]")]  # to files: no mail server is part of this
        part = self.plant.with_suffix(".part")
        part.write_text(f"# {priority}\n{text}")
        part.replace(self.plant)

    def say(self, *words: str) -> int:
        """A command of the command line; its exit code."""
        command = [sys.executable, "-P", "-m", "daemon", *words, "--store", str(self.store)]
        found = subprocess.run(command, capture_output=True, text=True, timeout=120)
        print(f"$ waterside {' '.join(words)}: {(found.stdout + found.stderr).strip()[:120]}", file=sys.stderr)
        return found.returncode

    def standing(self) -> list[tuple[int, str]]:
        with Reader(self.store) as reader:
            return [(s.occurrence, s.state) for s in reader.standing()]

    def act(self, kind: str, want: str, *words: str) -> None:
        """Do something to an alarm that stands so, as soon as there is one."""
        for _ in range(300):
            for number, state in self.standing():
                if state == want and self.say(words[0], str(number), *words[1:], "--by", PERSON) == 0:
                    self.done[kind] += 1
                    return
            time.sleep(0.1)

    def run(self, polls: int) -> dict[str, object]:
        self.write("high")
        part = polls // 4
        with running(self.plant, self.store) as service:
            service.wait_groups(20)
            self.act("ack", "unacknowledged", "ack")
            self._until(service, part)
            self.act("shelve", "unacknowledged", "shelve", "--until", "1h", "--why", "strainer cleaned")
            self.write("medium")
            service.signal(signal.SIGHUP)
            self.done["reload"] += 1
            self._until(service, 2 * part)
            service.signal(signal.SIGKILL)
            self.done["kill"] += 1
            service.process.wait(20)
        with running(self.plant, self.store) as service:
            self._until(service, 4 * part)
            if (code := service.end()) != 0:
                raise RuntimeError(f"the service ended with {code}: {service.log[-2000:]}")
        return self._reckon()

    def _until(self, service: Running, number: int) -> None:
        while not service.groups or service.groups[-1] < number:
            service.wait_groups(1)

    def _reckon(self) -> dict[str, object]:
        with Reader(self.store) as reader:
            groups = [(s.group.number, s.group.at_ms) for s in reader.groups()]
            want = [list(alarm_cells(e)) for s in reader.groups_after(0) for e in s.journal]
            plants = len({s.group.plant for s in reader.groups()})
        wrong = self._replayed("whole", "2000-01-01", 0, want)
        middle = groups[len(groups) * 3 // 4][1]
        begin = time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime(middle / 1000))
        wrong += self._replayed("part", begin, None, want)
        lived = {"groups": len(groups), "journal": len(want), "plant_versions": plants, **self.done}
        enough = all(self.done.values()) and plants >= 2 and len(want) > 10
        return {"passed": not wrong and enough, **lived, "wrong": wrong[:10]}

    def _replayed(self, name: str, begin: str, above: int | None, want: list[list[str]]) -> list[str]:
        """What a replay of the export from `begin` on tells otherwise. `above` None: what its state says."""
        raw, out = self.folder / f"raw-{name}", self.folder / f"out-{name}"
        if self.say("export", "--format", "raw", "--from", begin, "--out", str(raw)) != 0:
            return [f"{name}: the export failed"]
        command = ["replay", str(raw / "plant.toml"), str(raw / "counts.csv.gz"), "--out", str(out)]
        command += ["--acts", str(raw / "acts.jsonl")]
        if above is None:
            command += ["--state", str(raw / "state.txt")]
            above = int(json.loads((raw / "state.txt").read_text().splitlines()[0])["group"])
        found = subprocess.run(
            [sys.executable, "-P", "-m", "daemon", *command], capture_output=True, text=True, timeout=600
        )
        if found.returncode != 0:
            return [f"{name}: the replay failed: {found.stderr[-300:]}"]
        with (out / "alarms.csv").open(encoding="utf-8", newline="") as f:
            head, *rows = list(csv.reader(f))
        if tuple(head) != ALARM_COLUMNS:
            return [f"{name}: columns {head}"]
        if above:
            with Reader(self.store) as reader:
                want = [list(alarm_cells(e)) for s in reader.groups_after(above) for e in s.journal]
        wrong = [f"{name}, row {k}: {a} was {b}" for k, (a, b) in enumerate(zip(rows, want, strict=False)) if a != b]
        if len(rows) != len(want):
            wrong.append(f"{name}: {len(rows)} rows, {len(want)} are stored")
        return wrong
