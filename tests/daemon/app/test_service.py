"""The service from outside: a process, real Modbus peers, a real store, signals, the service manager's socket."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

import pytest

from daemon.app.ask import AskError, ask
from daemon.core.reasons import Reason
from daemon.store.reader import Reader
from tests.support.living_peer import LivingPeer
from tests.support.modbus import image
from tests.support.modbus_peers import rtu_peer, tcp_peer
from tests.support.plants import HEAD, one_boiler
from tests.support.service import running


def put(path: Path, text: str) -> Path:
    path.write_text(text, "utf-8")
    return path


def dead_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port: int = s.getsockname()[1]
        return port


# ------------------------------------------------------------------ what is served is what is stored

TYPES = {
    "u16": 54321,
    "s16": -1234,
    "u32": 3_000_000_123,
    "s32": -2_000_000_123,
    "u64": 2**63 + 7,
    "f32": 123.456001281738,
    "f64": -1.0e-3,
}
ORDERS = [
    ("high first", "high first"),
    ("low first", "high first"),
    ("high first", "low first"),
    ("low first", "low first"),
]


@pytest.mark.parametrize("kind", ["libmodbus", "modbus-tk"])
@pytest.mark.parametrize("transport", ["tcp", "rtu"])
def test_values_stored_are_the_values_served(tmp_path: Path, kind: str, transport: str) -> None:
    holding: dict[int, int] = {}
    channels, want = [], []
    for words, order in ORDERS:
        for type_, value in TYPES.items():
            at = len(holding)
            for k, register in enumerate(image(type_, value, words, order)):
                holding[at + k] = register
            name = f"{type_}_{words[0]}{order[0]}"
            channels.append(
                f'{name} = {{ function = "holding", address = {at}, type = "{type_}", words = "{words}", '
                f'bytes = "{order}" }}'
            )
            want.append(value)
    channels.append(f'flag = {{ function = "holding", address = {len(holding)}, type = "bit", bit = 9 }}')
    channels += ['on = { function = "coil", address = 3 }', 'off = { function = "discrete", address = 5 }']
    holding[len(holding)] = 1 << 9
    want += [1, 1, 0]
    served = {"holding": holding, "coil": {3: 1}, "discrete": {4: 1, 5: 0}}
    with (tcp_peer if transport == "tcp" else rtu_peer)(kind, served) as peer:
        if transport == "tcp":
            link = f'kind = "modbus-tcp"\nhost = "127.0.0.1"\nport = {peer.port}\n'
        else:
            link = f'kind = "modbus-rtu"\ndevice = "{peer.host}"\nbaud = 115200\nparity = "none"\nstop_bits = 2\n'
        text = f'{HEAD}[[link]]\nname = "wire"\n{link}[[module]]\nname = "m"\nlink = "wire"\nevery = "200 ms"\n'
        plant = put(tmp_path / "plant.toml", text + "[module.channels]\n" + "\n".join(channels) + "\n")
        with running(plant, tmp_path / "w.db") as service:
            service.wait_groups(3)
            assert service.end() == 0
    with Reader(tmp_path / "w.db") as reader:
        scans = [s for stored in reader.groups() for s in stored.group.scans if s.faults[0] != Reason.STOPPING]
    assert len(scans) >= 2
    for scan in scans:
        assert scan.faults == (0,) * len(want)
        for got, value in zip(scan.counts, want, strict=True):
            assert got == (pytest.approx(value, rel=1e-7) if isinstance(value, float) else value)


# ------------------------------------------------------------------ start, stop, reload


def test_every_broken_link_is_told_at_once_and_the_good_one_is_polled(tmp_path: Path) -> None:
    with LivingPeer(1) as peer:
        text = one_boiler(peer.tap.port, "200 ms")
        for name in ("east", "west"):
            text += f'[[link]]\nname = "{name}"\nkind = "modbus-tcp"\nhost = "127.0.0.1"\nport = {dead_port()}\n'
            text += f'timeout = "300 ms"\n[[module]]\nname = "{name}_ai"\nlink = "{name}"\nunit = 1\nevery = "1 s"\n'
            text += '[module.channels]\na = { function = "input", address = 0 }\n'
        with running(put(tmp_path / "plant.toml", text), tmp_path / "w.db") as service:
            service.wait_groups(5)
            assert "east" in service.log and "west" in service.log
            assert service.end() == 0
    with Reader(tmp_path / "w.db") as reader:
        verdicts = {
            (scan.module, v[0])
            for stored in reader.groups()
            for scan, v in zip(stored.group.scans, stored.verdicts, strict=True)
        }
    assert (1, int(Reason.LINK_DOWN)) in verdicts or (1, int(Reason.NOT_POLLED)) in verdicts
    assert any(module == 0 and reason in (0, Reason.FLUSHING) for module, reason in verdicts)


def test_sigterm_ends_it_within_two_seconds_although_a_module_never_answers(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        text = one_boiler(deaf.getsockname()[1], "1 s").replace('timeout = "500 ms"', 'timeout = "20 s"')
        with running(put(tmp_path / "plant.toml", text), tmp_path / "w.db") as service:
            service.wait_groups(1)
            began = time.monotonic()
            assert service.end() == 0
            assert time.monotonic() - began < 2.0
    with Reader(tmp_path / "w.db") as reader:
        last = reader.last()
        snapshots = reader.snapshots()
    assert last is not None
    assert snapshots[0].group == last.number  # the state is stored with the very last group


def test_a_reload_takes_a_valid_file_and_refuses_a_wrong_one_while_running_on(tmp_path: Path) -> None:
    with LivingPeer(2) as peer:
        good = one_boiler(peer.tap.port, "200 ms")
        plant = put(tmp_path / "plant.toml", good)
        with running(plant, tmp_path / "w.db") as service:
            service.wait_groups(3)
            put(plant, good.replace('function = "discrete", address = 0', 'function = "discret", address = 0'))
            service.signal(signal.SIGHUP)
            service.wait_log("The plant file was not reloaded")
            assert "plant.toml:" in service.log
            assert "function" in service.log
            service.wait_groups(3)
            put(plant, good.replace('set_point = "3000 uS/cm"', 'set_point = "2800 uS/cm"'))
            service.signal(signal.SIGHUP)
            service.wait_log("plant file reloaded: version 2")
            service.wait_groups(3)
            assert service.end() == 0
    with Reader(tmp_path / "w.db") as reader:
        versions = [g.group.plant for g in reader.groups()]
        numbers = [g.group.number for g in reader.groups()]
        meter = [g.derived for g in reader.groups()]
    assert versions == sorted(versions) and set(versions) == {1, 2}
    assert numbers == list(range(1, len(numbers) + 1))
    assert any(meter)


def test_it_goes_on_where_it_stopped(tmp_path: Path) -> None:
    with LivingPeer(3) as peer:
        plant = put(tmp_path / "plant.toml", one_boiler(peer.tap.port, "200 ms"))
        for _ in range(2):
            with running(plant, tmp_path / "w.db") as service:
                service.wait_groups(4)
                service.process.kill()
                service.process.wait()
    with Reader(tmp_path / "w.db") as reader:
        groups = [g.group for g in reader.groups()]
    assert [g.number for g in groups] == list(range(1, len(groups) + 1))
    assert sum(g.gap_ms > 0 for g in groups) == 1
    assert all(b.elapsed_ms >= a.elapsed_ms for a, b in pairwise(groups))
    assert {g.plant for g in groups} == {1}


def test_a_second_instance_on_the_same_store_is_refused_by_name(tmp_path: Path) -> None:
    with LivingPeer(4) as peer:
        plant = put(tmp_path / "plant.toml", one_boiler(peer.tap.port, "200 ms"))
        with running(plant, tmp_path / "w.db") as first:
            first.wait_groups(1)
            second = subprocess.run(
                [sys.executable, "-P", "-m", "daemon", "run", str(plant), "--store", str(tmp_path / "w.db")],
                capture_output=True,
                text=True,
                timeout=30,
            )
            assert second.returncode == 1
            assert "Quillmarsh Creamery" in second.stderr
            assert str(first.process.pid) in second.stderr
            first.wait_groups(2)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[plant", "plant.toml:1"),
        (
            one_boiler(502).replace("flush", "flsh").replace('arrangement = "continuous"', 'arangement = "x"'),
            "arangement",
        ),
    ],
)
def test_a_wrong_plant_file_starts_nothing_and_explains(tmp_path: Path, text: str, said: str) -> None:
    plant = put(tmp_path / "plant.toml", text)
    done = subprocess.run(
        [sys.executable, "-P", "-m", "daemon", "run", str(plant), "--store", str(tmp_path / "w.db")],
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert done.returncode == 1
    assert said in done.stderr
    assert "nothing was started" in done.stderr
    assert not (tmp_path / "w.db").exists()


def test_the_service_manager_is_told_ready_alive_reloading_and_stopping(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager, LivingPeer(5) as peer:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20)
        plant = put(tmp_path / "plant.toml", one_boiler(peer.tap.port, "200 ms"))
        env = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "3000000"}
        said: list[str] = []

        def until(word: str) -> None:
            while not any(word in s for s in said):
                said.append(manager.recv(4096).decode())

        with running(plant, tmp_path / "w.db", env) as service:
            until("READY=1")
            until("WATCHDOG=1")
            said.clear()
            put(plant, plant.read_text().replace("3000 uS/cm", "2900 uS/cm"))
            service.signal(signal.SIGHUP)
            until("RELOADING=1")
            until("READY=1")
            said.clear()
            service.end()
            until("STOPPING=1")


def test_low_space_is_an_alarm_while_rows_can_still_be_written(tmp_path: Path) -> None:
    with LivingPeer(8) as peer:
        text = one_boiler(peer.tap.port, "200 ms") + "[store]\nlow_space = 1000000000.0\n"
        with running(put(tmp_path / "plant.toml", text), tmp_path / "w.db") as service:
            service.wait_log("logger_disk")
            assert service.end() == 0
    with Reader(tmp_path / "w.db") as reader:
        (raised,) = [e for e in reader.journal() if e.kind == "logger_disk"]
    assert "MB free on the disk of the store, limit 1000000000 MB" in raised.evidence


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 24 MB of its own. Mounting wants root, as deploy/test does."""
    at = tmp_path / "disk"
    at.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=24m", "waterside", str(at)], capture_output=True, text=True
    )
    if done.returncode:
        pytest.skip(f"this machine lets nobody mount a small disk: {done.stderr.strip()}")
    yield at
    subprocess.run(["umount", "-l", str(at)], check=True)


def test_a_really_full_disk_mails_directly_and_everything_is_there_when_it_has_room(
    small_disk: Path, tmp_path: Path
) -> None:
    with LivingPeer(9) as peer:
        text = one_boiler(peer.tap.port, "200 ms") + '[[person]]\nname = "Kim"\nmail = "kim@quillmarsh.example"\n'
        with running(put(tmp_path / "plant.toml", text), small_disk / "w.db") as service:
            service.wait_groups(5)
            ballast = small_disk / "ballast"
            with ballast.open("wb", buffering=0) as file, suppress(OSError):
                while file.write(bytes(65536)) == 65536:
                    pass
            service.wait_log("The reserve is released")
            with ballast.open("ab", buffering=0) as file, suppress(OSError):
                while file.write(bytes(4096)) == 4096:
                    pass
            service.wait_log("Groups wait in memory")
            ballast.unlink()
            service.wait_log("storing again")
            service.wait_groups(3)
            assert service.end() == 0
    with Reader(small_disk / "w.db") as reader:
        numbers = [g.group.number for g in reader.groups()]
        assert any(e.kind == "logger_store" for e in reader.journal())
        assert reader.integrity() == ()
    assert numbers == list(range(1, len(numbers) + 1))


def test_every_frame_of_a_bad_line_can_be_captured_as_text(tmp_path: Path) -> None:
    with LivingPeer(10) as peer:
        plant = put(tmp_path / "plant.toml", one_boiler(peer.tap.port, "200 ms"))
        with running(plant, tmp_path / "w.db", more=("--capture", str(tmp_path / "frames"))) as service:
            service.wait_groups(3)
            assert service.end() == 0
    lines = (tmp_path / "frames" / "panel.txt").read_text().splitlines()
    assert lines[0] == "# waterside capture, link panel modbus-tcp"
    assert {line.split()[2] for line in lines[1:]} == {">", "<"}
    assert len(lines) > 6


# ------------------------------------------------------------------ acts by the letterbox


def test_an_act_is_answered_after_its_commit_and_carries_a_person(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    with LivingPeer(6) as peer:
        plant = put(tmp_path / "plant.toml", one_boiler(peer.tap.port, "200 ms"))
        with running(plant, store) as service:
            service.wait_groups(2)
            answer = ask(store, {"act": "note", "text": "cleaned strainer", "target": "B1", "by": "J. Ortiz"})
            with Reader(store) as reader:  # at once: it was committed before the answer
                (act,) = [a for a in reader.acts() if a.act.number == answer["number"]]
                assert (act.act.by, act.result) == ("J. Ortiz", "")
                assert [e.evidence for e in reader.journal() if e.kind == "note"] == ["cleaned strainer"]
            view = ask(store, {"ask": "view"})["view"]
            assert view["boilers"][0]["name"] == "B1"
            with pytest.raises(AskError, match="no alarm 4711 stands"):
                ask(store, {"act": "ack", "occurrence": 4711, "by": "J. Ortiz"})
            with pytest.raises(AskError, match="not known"):
                ask(store, {"act": "open the valve", "by": "J. Ortiz"})
            service.end()
    with pytest.raises(AskError, match="not running"):
        ask(store, {"act": "note", "text": "x", "by": "J. Ortiz"})


def test_the_socket_is_for_its_user_and_group(tmp_path: Path) -> None:
    with LivingPeer(7) as peer:
        plant = put(tmp_path / "plant.toml", one_boiler(peer.tap.port, "200 ms"))
        with running(plant, tmp_path / "w.db") as service:
            service.wait_groups(1)
            sockets = [p for p in tmp_path.iterdir() if p.is_socket()]
            assert sockets
            assert all(p.stat().st_mode & 0o777 == 0o660 for p in sockets)
