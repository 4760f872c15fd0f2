"""What arrives at a real datagram socket in the service manager's place."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.app.sdnotify import Manager, Watch


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    name = f"@waterside-test-{os.getpid()}" if request.param == "abstract" else str(tmp_path / "n")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.bind(name.replace("@", "\0", 1) if request.param == "abstract" else name)
        s.settimeout(5)
        yield s, name


def test_ready_status_stopping_and_alive_arrive(manager: tuple[socket.socket, str]) -> None:
    s, name = manager
    m = Manager({"NOTIFY_SOCKET": name})
    assert m.ready("2 links,\n3 modules") and s.recv(999) == b"READY=1\nSTATUS=2 links, 3 modules"
    assert m.status("x") and s.recv(999) == b"STATUS=x"
    assert m.alive() and s.recv(999) == b"WATCHDOG=1"
    assert m.stopping() and s.recv(999) == b"STOPPING=1"


def test_reloading_tells_the_monotonic_time_in_microseconds(manager: tuple[socket.socket, str]) -> None:
    s, name = manager
    before = time.clock_gettime(time.CLOCK_MONOTONIC) * 1e6
    Manager({"NOTIFY_SOCKET": name}).reloading()
    first, second = s.recv(999).decode().split("\n")
    assert first == "RELOADING=1"
    assert (
        before - 1 <= int(second.removeprefix("MONOTONIC_USEC=")) <= time.clock_gettime(time.CLOCK_MONOTONIC) * 1e6 + 1
    )


def test_without_a_manager_nothing_is_told() -> None:
    m = Manager({"WATCHDOG_USEC": "30000000"})
    assert (m.ready(), m.alive(), m.watchdog_s) == (False, False, None)


def test_a_manager_that_is_gone_or_does_not_read_does_not_hold_the_service(tmp_path: Path) -> None:
    assert Manager({"NOTIFY_SOCKET": str(tmp_path / "gone")}).alive() is False
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.bind(str(tmp_path / "n"))
        m = Manager({"NOTIFY_SOCKET": str(tmp_path / "n")})
        assert [m.alive() for _ in range(5000)][-1] is False


@pytest.mark.parametrize(
    ("usec", "pid", "wanted"),
    [
        ("30000000", str(os.getpid()), 30.0),
        ("30000000", "", 30.0),
        ("30000000", "1", None),
        ("0", "", None),
        ("x", "", None),
    ],
)
def test_the_watchdog_is_ours_only_when_it_is_meant_for_us(usec: str, pid: str, wanted: float | None) -> None:
    assert Manager({"NOTIFY_SOCKET": "/n", "WATCHDOG_USEC": usec, "WATCHDOG_PID": pid}).watchdog_s == wanted


class Now:
    at = 100.0

    def __call__(self) -> float:
        return self.at


def test_alive_while_every_link_beats_and_commits_return() -> None:
    now = Now()
    watch = Watch(["a", "b"], now=now)
    for _ in range(30):
        now.at += 5
        watch.beat("a")
        watch.beat("b")
        watch.committed()
        assert watch.late() == ""


def test_one_link_that_stops_beating_is_named() -> None:
    now = Now()
    watch = Watch(["a", "b"], now=now)
    now.at += 31
    watch.beat("a")
    watch.beat("unknown")
    watch.committed()
    assert watch.late() == "No sign of life from link b for 31 s"
    watch.watch(["a", "c"])
    assert watch.late() == ""


def test_a_commit_that_does_not_return_is_named() -> None:
    now = Now()
    watch = Watch(["a"], now=now)
    now.at += 30
    assert watch.late() == ""
    now.at += 1
    watch.beat("a")
    assert watch.late() == "No sign of life from the store for 31 s"
