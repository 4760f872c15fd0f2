"""The demo as a new user starts it, without a terminal: what is printed, stored and mailed, and that it ends whole."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from email import message_from_bytes, policy
from pathlib import Path

from daemon.store.reader import Reader

HOUR_AND_A_HALF_S = 90 * 60


def demo(folder: Path, *more: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-P", "-m", "daemon", "demo", "--speed", "400", "--folder", str(folder), *more]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def plant_time_s(store: Path) -> float:
    if not store.exists():
        return 0.0
    with Reader(store) as reader:
        last = reader.last()
    return last.elapsed_ms / 1000 if last else 0.0


def stored_in_run(store: Path) -> int:
    """Which run of the store has stored the newest group, 0 for none."""
    if not store.exists():
        return 0
    with Reader(store) as reader:
        last = reader.last()
        return last.segment if last and last.segment == len(reader.clock_segments()) else 0


def houses() -> set[int]:
    """Process ids of simulated boiler houses."""
    found = set()
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            if b"drivers.demo" in words:
                found.add(int(entry.name))
    return found


def test_the_demo_shows_the_main_job_and_leaves_nothing_running(tmp_path: Path) -> None:
    before = houses()
    store = tmp_path / "waterside.db"
    running = demo(tmp_path)
    end = time.monotonic() + 150
    while plant_time_s(store) < HOUR_AND_A_HALF_S and time.monotonic() < end:
        assert running.poll() is None, running.stdout.read() if running.stdout else ""
        time.sleep(0.5)
    assert len(houses() - before) == 1
    running.send_signal(signal.SIGTERM)
    said, _ = running.communicate(timeout=30)
    assert running.returncode == 0, said
    assert houses() <= before
    assert f"Mails are written to {tmp_path / 'outbox'}" in said
    assert "ALARM  B2 Conductivity high" in said
    assert "held back  B2 Conductivity high" in said
    assert "ALARM  B2 Boiler interlock open" in said
    with Reader(store) as reader:
        journal = [(e.kind, e.event) for e in reader.journal()]
        first = next(e.at_ms for e in reader.journal()) - reader.clock_segments()[0].at_ms
        groups = list(reader.groups_after(0))
        blows = {b.boiler for b in reader.blows()}
        counts = reader.mail_counts()
    assert counts["sent"] >= 4
    assert counts["refused"] == 0
    assert first > 20 * 60_000  # at first twenty plant minutes of normal samples
    assert journal.index(("conductivity_high", "raised")) < journal.index(("conductivity_high", "suppressed"))
    assert all(set(s.faults) == {0} for g in groups[:60] for s in g.group.scans)
    assert "B1" in blows
    mails = [message_from_bytes(f.read_bytes(), policy=policy.default) for f in (tmp_path / "outbox").glob("*.eml")]
    assert mails and all("DEMO at 400x speed" in m["Subject"] for m in mails)


def test_a_demo_begins_anew_unless_told_to_go_on(tmp_path: Path) -> None:
    for more, want in (((), 1), ((), 1), (("--keep",), 2)):
        running = demo(tmp_path, *more)
        assert running.stdout is not None
        while "Mails are written" not in running.stdout.readline():
            assert running.poll() is None
        end = time.monotonic() + 60
        store = tmp_path / "waterside.db"
        while stored_in_run(store) != want and time.monotonic() < end:
            time.sleep(0.2)
        running.send_signal(signal.SIGINT)
        said, _ = running.communicate(timeout=30)
        assert running.returncode == 0, said
        with Reader(store) as reader:
            assert len(reader.clock_segments()) == want
