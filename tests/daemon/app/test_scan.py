"""`scan`: who answers, by reads alone, and what is refused before a byte is sent."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import tty
from pathlib import Path

import pytest

from daemon.app.scanning import ScanRefused, units_of
from tests.support import wire
from tests.support.living_peer import LivingPeer
from tests.support.modbus_peers import rtu_peer, tcp_peer
from tests.support.plants import HEAD, one_boiler
from tests.support.service import running


def scan(folder: Path, link: str, *more: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-P", "-m", "daemon", "scan", str(folder / "plant.toml"), link, "--wait", "150 ms"]
    command += ["--store", str(folder / "w.db"), *more]
    return subprocess.run(command, input=typed, capture_output=True, text=True, timeout=120)


def rtu_plant(folder: Path, device: str, more: str = "") -> None:
    text = f'{HEAD}[[link]]\nname = "loop"\nkind = "modbus-rtu"\ndevice = "{device}"\nbaud = 115200\nparity = "none"\n'
    text += f'stop_bits = 2\n[[module]]\nname = "aux"\nlink = "loop"\nunit = 7\n{more}[module.channels]\n'
    (folder / "plant.toml").write_text(text + 'a = { function = "input", address = 40 }\n')


def test_the_one_unit_on_an_rtu_line_is_found_and_named(tmp_path: Path) -> None:
    # modbus-tk, not libmodbus: a libmodbus server takes the next request for the answer of a unit that is not there
    with rtu_peer("modbus-tk", {"input": {0: 1}, "holding": {0: 2}}, unit=7) as line:
        rtu_plant(tmp_path, line.host)
        done = scan(tmp_path, "loop", "--units", "5-9", "--json")
    assert done.returncode == 0, done.stderr
    (found,) = json.loads(done.stdout)["found"]
    assert found["unit"] == 7
    assert [found[f] for f in ("input", "holding", "coil", "discrete")] == ["answers"] * 4
    assert "Listening" in done.stderr


def test_what_a_unit_refuses_is_an_answer_and_is_explained(tmp_path: Path) -> None:
    with tcp_peer("modbus-tk", {"input": {0: 1}}) as peer:
        (tmp_path / "plant.toml").write_text(one_boiler(peer.port))
        done = scan(tmp_path, "panel", "--units", "1")
    assert done.returncode == 0, done.stderr
    assert "answers" in done.stdout
    assert "ai" in done.stdout


def test_nobody_there_is_a_finding(tmp_path: Path) -> None:
    with rtu_peer("libmodbus", {}, unit=7) as line:
        rtu_plant(tmp_path, line.host)
        done = scan(tmp_path, "loop", "--units", "1-2")
    assert done.returncode == 1
    assert "Nobody answered" in done.stdout


def test_traffic_of_another_master_means_no_byte_is_sent(tmp_path: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    rtu_plant(tmp_path, os.ttyname(slave))
    end = threading.Event()
    sent_back = bytearray()

    def another_master() -> None:
        os.set_blocking(master, False)
        while not end.wait(0.1):
            os.write(master, bytes.fromhex("0104000800 01B008".replace(" ", "")))
            try:
                sent_back.extend(os.read(master, 100))
            except BlockingIOError:
                continue

    talking = threading.Thread(target=another_master)
    talking.start()
    try:
        done = scan(tmp_path, "loop", "--units", "1-3")
    finally:
        end.set()
        talking.join()
        os.close(slave)
        os.close(master)
    assert done.returncode == 2
    assert "another master asks on this pair" in done.stderr
    assert "a gateway that shares the line" in done.stderr
    assert sent_back == b""


def test_clear_on_read_registers_are_never_touched(tmp_path: Path) -> None:
    with rtu_peer("libmodbus", {}, unit=7) as line:
        rtu_plant(tmp_path, line.host, 'clear_on_read = ["input 0..3"]\nnever = ["holding 0..63"]\n')
        before = len(list(wire.sent()))
        done = scan(tmp_path, "loop", "--units", "7", "--json")
        pdus = [s.pdu for s in list(wire.sent())[before:] if s.transport == "rtu" and s.pdu[0] < 5]
    (found,) = json.loads(done.stdout)["found"]
    assert found["holding"] == "not asked"
    assert {p[0]: int.from_bytes(p[1:3], "big") for p in pdus} == {4: 4, 1: 0, 2: 0}


def test_hunting_wants_a_word_that_nothing_else_is_on_the_pair(tmp_path: Path) -> None:
    with rtu_peer("libmodbus", {}, unit=7) as line:
        rtu_plant(tmp_path, line.host)
        before = line.requests
        done = scan(tmp_path, "loop", "--units", "7", "--hunt", typed="yes\n")
        assert done.returncode == 2
        assert "not confirmed" in done.stderr
        assert line.requests == before


def test_it_refuses_while_the_service_owns_the_link(tmp_path: Path) -> None:
    with LivingPeer(21) as peer:
        (tmp_path / "plant.toml").write_text(one_boiler(peer.tap.port, "200 ms"))
        with running(tmp_path / "plant.toml", tmp_path / "w.db") as service:
            service.wait_groups(1)
            done = scan(tmp_path, "panel", "--units", "1")
            assert done.returncode == 2
            assert "the service runs on" in done.stderr
            done = scan(tmp_path, "panel", "--units", "1-2", "--json", "--through-service")
            assert done.returncode == 0, done.stderr
            (found,) = json.loads(done.stdout)["found"]
            assert (found["unit"], found["input"]) == (1, "answers")
            service.wait_groups(2)  # it polls on
            assert service.end() == 0


@pytest.mark.parametrize("text", ["", "0-256", "9-1", "a", "1;2"])
def test_units_are_ids(text: str) -> None:
    with pytest.raises(ScanRefused, match="--units"):
        units_of(text)


def test_units_may_be_listed_once_each() -> None:
    assert units_of("1,3-5, 4") == [1, 3, 4, 5]
