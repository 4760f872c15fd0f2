"""`scan`: who answers, by reads alone, and what is refused before a byte is sent."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import sys
import threading
import tty
from pathlib import Path

import pytest

from config.model import Link
from daemon.app.scanning import ScanRefused, units_of
from drivers.contract import ReadPlan, Request
from drivers.modbus.poll import ready
from drivers.modbus.scan import estimate_s
from drivers.modbus.talk import RTU, Talk
from tests.support import wire
from tests.support.living_peer import LivingPeer
from tests.support.modbus_peers import ascii_peer, gateway_peer, rtu_peer, tcp_peer
from tests.support.plants import HEAD, one_boiler
from tests.support.rawpeer import RawGateway, rtu
from tests.support.service import running


def scan(folder: Path, link: str, *more: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-P", "-m", "daemon", "scan", str(folder / "plant.toml"), link, "--wait", "150 ms"]
    command += ["--store", str(folder / "w.db"), *more]
    return subprocess.run(command, input=typed, capture_output=True, text=True, timeout=120)


def rtu_plant(folder: Path, device: str, more: str = "", kind: str = "modbus-rtu") -> None:
    text = f'{HEAD}[[link]]\nname = "loop"\nkind = "{kind}"\ndevice = "{device}"\nbaud = 115200\nparity = "none"\n'
    stop_bits = 1 if kind == "modbus-ascii" else 2  # the peer reads eight bits, and the second stop would be the eighth
    text += f'stop_bits = {stop_bits}\n[[module]]\nname = "aux"\nlink = "loop"\nunit = 7\n{more}[module.channels]\n'
    (folder / "plant.toml").write_text(text + 'a = { function = "input", address = 40 }\n')


def gateway_plant(folder: Path, port: int) -> None:
    text = f'{HEAD}[[link]]\nname = "loop"\nkind = "modbus-rtu-over-tcp"\nhost = "127.0.0.1"\nport = {port}\n'
    text += 'timeout = "200 ms"\n[[module]]\nname = "aux"\nlink = "loop"\nunit = 7\nevery = "1 s"\n[module.channels]\n'
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
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_nobody_there_is_a_finding(tmp_path: Path) -> None:
    with rtu_peer("libmodbus", {}, unit=7) as line:
        rtu_plant(tmp_path, line.host)
        done = scan(tmp_path, "loop", "--units", "1-2")
    assert done.returncode == 1
    assert "Nobody answered" in done.stdout


@pytest.mark.parametrize("kind", ["modbus-rtu", "modbus-ascii"])
def test_traffic_of_another_master_means_no_byte_is_sent(tmp_path: Path, kind: str) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    rtu_plant(tmp_path, os.ttyname(slave), kind=kind)
    end = threading.Event()
    sent_back = bytearray()

    def another_master() -> None:
        os.set_blocking(master, False)
        while not end.wait(0.1):
            os.write(master, ASKS[kind])
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


ASKS = {"modbus-rtu": bytes.fromhex("010400080001B008"), "modbus-ascii": b":010400080001F2\r\n"}


def test_traffic_behind_a_gateway_is_heard_too_and_no_byte_is_sent(tmp_path: Path) -> None:
    """Some gateways pass on to everybody whatever is said on the pair."""
    sent_back = bytearray()
    with socket.create_server(("127.0.0.1", 0)) as server:
        gateway_plant(tmp_path, server.getsockname()[1])

        def another_master() -> None:
            connection, _ = server.accept()
            with connection:
                connection.settimeout(0.1)
                while True:
                    try:
                        connection.sendall(ASKS["modbus-rtu"])
                        if not (data := connection.recv(100)):
                            return
                        sent_back.extend(data)
                    except TimeoutError:
                        continue
                    except OSError:
                        return

        talking = threading.Thread(target=another_master)
        talking.start()
        done = scan(tmp_path, "loop", "--units", "1-3")
        talking.join()
    assert done.returncode == 2
    assert "another master asks on this pair" in done.stderr
    assert "a gateway that shares the line" in done.stderr
    assert sent_back == b""


def test_a_gateway_that_is_not_there_is_said_in_a_sentence(tmp_path: Path) -> None:
    gateway_plant(tmp_path, 1)
    done = scan(tmp_path, "loop", "--units", "1-3")
    assert done.returncode == 2
    assert "127.0.0.1:1 refuses the connection" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_quiet_gateway_and_a_quiet_ascii_line_are_scanned(tmp_path: Path) -> None:
    with gateway_peer("modbus-tk", {"input": {0: 1}}, unit=7) as (gateway, _):
        gateway_plant(tmp_path, gateway.port)
        done = scan(tmp_path, "loop", "--units", "6-7", "--json")
    assert done.returncode == 0, done.stderr
    assert [f["unit"] for f in json.loads(done.stdout)["found"]] == [7]
    with ascii_peer("pymodbus", {"input": {0: 1}}, unit=7) as line:
        rtu_plant(tmp_path, line.host, kind="modbus-ascii")
        done = scan(tmp_path, "loop", "--units", "6-7", "--json")
    assert done.returncode == 0, done.stderr
    found = {f["unit"]: f["input"] for f in json.loads(done.stdout)["found"]}
    assert found[7] == "answers"
    assert found.get(6, "refused").startswith("refused")  # this server refuses for units that it does not have


def test_another_master_that_begins_in_the_middle_ends_the_scan(tmp_path: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    rtu_plant(tmp_path, os.ttyname(slave))
    end, asked = threading.Event(), threading.Event()
    requests = bytearray()

    def line() -> None:
        os.set_blocking(master, False)
        while not end.wait(0.02):
            try:
                requests.extend(os.read(master, 100))
            except BlockingIOError:
                continue
            if not asked.is_set():  # the first request is met by somebody else's
                os.write(master, bytes.fromhex("010300080001") + bytes.fromhex("05C8"))
                asked.set()

    talking = threading.Thread(target=line)
    talking.start()
    try:
        done = scan(tmp_path, "loop", "--units", "1-40")
    finally:
        end.set()
        talking.join()
        os.close(slave)
        os.close(master)
    assert done.returncode == 2
    assert "another master asks on this pair: it was heard at unit 1" in done.stderr
    assert len(requests) <= 4 * 8, "it went on to the next unit"


async def test_the_service_asks_units_behind_its_link_who_they_are(tmp_path: Path) -> None:
    def reply(request: bytes) -> list[bytes | None]:
        unit, pdu = request[0], request[1:-2]
        if unit not in (7, 9):
            return []
        if pdu[0] == 43:
            head = bytes((43, 14, 1, 1, 0, 0, 3, 0, 4))
            return [rtu(unit, head + b"Acme" + bytes((1, 2)) + b"X%d" % unit + bytes((2, 3)) + b"1.0")]
        return [rtu(unit, bytes((4, 2, 0, 5)) if pdu[0] == 4 else bytes((pdu[0] | 0x80, 1)))]

    async with RawGateway(reply) as gateway:
        gateway_plant(tmp_path, gateway.port)

        def asked() -> subprocess.CompletedProcess[str]:
            with running(tmp_path / "plant.toml", tmp_path / "w.db") as service:
                service.wait_groups(1)
                done = scan(tmp_path, "loop", "--units", "7-9", "--through-service", "--json")
                assert service.end() == 0
                return done

        done = await asyncio.to_thread(asked)
        assert done.returncode == 0, done.stderr
        found = json.loads(done.stdout)["found"]
        assert gateway.connections == 1, "it is the service's own connection"
    assert [(f["unit"], f["identification"]["product"]) for f in found] == [(7, "X7"), (9, "X9")]
    assert [f["holding"][:7] for f in found] == ["refused", "refused"]


def test_clear_on_read_registers_are_never_touched(tmp_path: Path) -> None:
    with rtu_peer("libmodbus", {}, unit=7) as line:
        rtu_plant(tmp_path, line.host, 'clear_on_read = ["input 0..3"]\nnever = ["holding 0..63"]\n')
        before = len(list(wire.sent()))
        done = scan(tmp_path, "loop", "--units", "7", "--json")
        pdus = [s.pdu for s in list(wire.sent())[before:] if s.transport == "rtu" and s.pdu[0] < 5]
    (found,) = json.loads(done.stdout)["found"]
    assert found["holding"] == "not asked"
    assert {p[0]: int.from_bytes(p[1:3], "big") for p in pdus} == {4: 4, 1: 0, 2: 0}


def test_no_unit_is_asked_for_what_one_module_of_the_link_forbids(tmp_path: Path) -> None:
    """Many modules on TCP answer whatever unit is asked."""
    with tcp_peer("libmodbus", {}) as peer:
        text = one_boiler(peer.port).replace("[module.channels]", 'clear_on_read = ["input 0..21"]\n[module.channels]')
        (tmp_path / "plant.toml").write_text(text)
        before = len(list(wire.sent()))
        done = scan(tmp_path, "panel", "--units", "1-3")
        pdus = [s.pdu for s in list(wire.sent())[before:] if s.transport == "tcp" and s.pdu[0] == 4]
    assert done.returncode == 0, done.stderr
    assert {int.from_bytes(p[1:3], "big") for p in pdus} == {22}
    assert len(pdus) == 3


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


def test_the_estimate_holds_for_units_that_are_not_there(tmp_path: Path) -> None:
    """On a line a unit that gave no answer rests before it is asked the second time."""
    waits = {"modbus-tcp": 2, "modbus-rtu": 3, "modbus-ascii": 3, "modbus-rtu-over-tcp": 3}
    for kind, n in waits.items():
        link = Link.model_validate({"name": "loop", "kind": kind, "timeout": "1 s"})
        assert n * 10 <= estimate_s(link, range(10)) <= 1.2 * n * 10
    rests: list[float] = []
    talk = Talk(Link.model_validate({"name": "loop", "kind": "modbus-rtu", "timeout": "1 s"}), RTU)
    plan = ReadPlan("unit 1", 1, (Request("input", 0, 1),), ())
    now = 0.0
    for _ in range(2):
        now = max(now, talk.free_at(1))
        talk.ask(ready(plan).asks[0], plan, now)
        now = talk.deadline
        talk.over(now)
        rests.append(now)
    assert rests[1] == pytest.approx(3.0, abs=0.2)
