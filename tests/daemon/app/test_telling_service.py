"""Who is told, as a person at the running service sees it: a test mail the whole way, who is on duty, the gap."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from daemon.app.endings import note_stop, why_ended
from daemon.app.gaps import ENDED, STOPPED
from daemon.store.reader import Reader
from tests.daemon.app.test_keeper import bench
from tests.daemon.app.test_mail_end_to_end import write
from tests.support.living_peer import LivingPeer
from tests.support.mailserver import Exim
from tests.support.service import running
from tests.support.wording import forbidden


def waterside(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-P", "-m", "daemon", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


def test_a_test_mail_goes_the_whole_way_and_status_says_who_is_on_duty(postbox: Exim, tmp_path: Path) -> None:
    store = tmp_path / "waterside.db"
    with LivingPeer(5) as peer:
        plant = write(tmp_path, peer, postbox.port, postbox)
        with plant.open("a") as f:
            f.write('[[rota.turn]]\nperson = "Facilities"\n')
        with running(plant, store) as service:
            service.wait_groups(2)
            done = waterside("mail", "test", "facilities", "--store", str(store))
            assert done.returncode == 0, done.stderr
            assert "The mail to facilities@quillmarsh.example was taken: OK id=" in done.stdout
            wrong = waterside("mail", "test", "Cleo", "--store", str(store))
            assert wrong.returncode == 1
            assert "no person 'Cleo' in the plant file. Known: On call, Facilities." in wrong.stderr
            shown = json.loads(waterside("status", "--json", "--store", str(store)).stdout)
            assert shown["duty"] == "Facilities"
            assert service.end() == 0
    tests = [m for m in postbox.received() if "test mail" in m["Subject"]]
    assert [m["Envelope-to"] for m in tests] == ["facilities@quillmarsh.example"]


async def test_after_a_gap_the_mail_says_from_when_to_when_why_what_stood_and_what_was_counted(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    begin = 1_793_690_832_000  # Tue 3 Nov 2026, 01:27:12 in Chicago
    async with bench(store, start_ms=begin) as b:
        await b.polls(3)
        await b.polls(6, low=1)
    async with bench(store, start_ms=begin + 3_600_000) as b:
        b.keeper._ended = STOPPED
        await b.polls(1, low=1)
    with Reader(store) as reader:
        gap = next(json.loads(n.body) for n in reader.notices() if "logger_gap" in n.body)
    assert gap["evidence"].startswith(
        "not watching from Tue 03 Nov 01:28 to Tue 03 Nov 02:27 (59 min); the service was"
    )
    assert "stood before: 1 B1 low water" in gap["evidence"]
    assert "stands now: 1 B1 low water" in gap["evidence"]
    assert "no meter tells what passed meanwhile" in gap["evidence"]
    assert forbidden(gap["evidence"]) == []


async def test_a_run_that_was_stopped_in_order_is_told_from_one_that_was_not(tmp_path: Path) -> None:
    async with bench(tmp_path / "w.db") as b:
        assert await why_ended(b.writer, b.clock, await b.writer.last()) == ""
        await b.polls(2)
        b.clock.speed = 60.0  # the PC's own start is no matter in a demo
        assert await why_ended(b.writer, b.clock, await b.writer.last()) == ENDED
        await note_stop(b.writer, b.clock)
        assert await why_ended(b.writer, b.clock, await b.writer.last()) == STOPPED
        await b.polls(1)
        assert await why_ended(b.writer, b.clock, await b.writer.last()) == ENDED
