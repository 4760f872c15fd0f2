"""Modbus peers that are not ours, started for a test and ended with it.

libmodbus in C (TCP, RTU), modbus-tk (TCP, RTU), pyModbusTCP (TCP) and pymodbus' server (ASCII) in Python, each in a
process of its own, each behind a tap. A map is
{"holding": {address: value}, "input": ..., "coil": ..., "discrete": ...}; addresses up to 1023 exist.
"""

from __future__ import annotations

import atexit
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from pathlib import Path

from tests.support.taps import AsciiLine, Gateway, Line, TcpTap

HERE = Path(__file__).resolve().parent.parent / "peers"
KINDS = ("libmodbus", "modbus-tk")
SCRIPTS = {"modbus-tk": "tk_server.py", "pyModbusTCP": "ptcp_server.py", "pymodbus": "ascii_server.py"}
Map = Mapping[str, Mapping[int, int]]


@cache
def compiled(source: str, *libraries: str) -> str:
    """A program of `tests/peers`, compiled. Without compiler or library the test fails and says what to install."""
    gcc = shutil.which("gcc")
    folder = tempfile.mkdtemp(prefix="waterside-peer-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    target = Path(folder) / Path(source).stem
    need = "Install what the peer is built from: apt-get install -y gcc libmodbus-dev"
    assert gcc is not None, f"There is no gcc. {need}"
    linked = [f"-l{name}" for name in libraries]
    made = subprocess.run([gcc, "-O2", "-o", target, HERE / source, *linked], capture_output=True, text=True)
    assert made.returncode == 0, f"{source} does not build. {need}\n{made.stderr}"
    return str(target)


def libmodbus_server() -> str:
    """The compiled libmodbus peer."""
    return compiled("mb_server.c", "modbus")


def _command(kind: str) -> list[str]:
    if kind == "libmodbus":
        return [libmodbus_server()]
    return [sys.executable, str(HERE / SCRIPTS[kind])]


@contextmanager
def _started(kind: str, values: Map, how: str, *more: str) -> Iterator[str]:
    """The peer's process from the first word it prints to the end of the block."""
    with tempfile.NamedTemporaryFile("w", suffix=".map") as file:
        for table, items in values.items():
            for address, value in items.items():
                file.write(f"{table} {address} {int(value)}\n")
        file.flush()
        command = [*_command(kind), how, file.name, *more]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as peer:
            assert peer.stdin is not None
            assert peer.stdout is not None
            try:
                word = peer.stdout.readline().strip()
                assert word, f"{command} said nothing"
                yield word
            finally:
                peer.stdin.close()
                try:
                    peer.wait(3)
                except subprocess.TimeoutExpired:
                    peer.kill()


@contextmanager
def tcp_peer(kind: str, values: Map) -> Iterator[TcpTap]:
    """A Modbus TCP peer behind a tap; connect to `tap.port`. Answers unit 1 (libmodbus: every unit)."""
    with _started(kind, values, "tcp") as port, TcpTap(int(port)) as tap:
        yield tap


@contextmanager
def tcp_server(kind: str, values: Map) -> Iterator[int]:
    """The port of a Modbus TCP peer with nothing between: for measuring, where a tap would be in the way."""
    with _started(kind, values, "tcp") as port:
        yield int(port)


@contextmanager
def rtu_server(values: Map, device: str, unit: int = 1) -> Iterator[None]:
    """The libmodbus peer on a serial device."""
    with _started("libmodbus", values, "rtu", device, str(unit)):
        yield


@contextmanager
def rtu_peer(kind: str, values: Map, unit: int = 1) -> Iterator[Line]:
    """A Modbus RTU peer at the far end of a line; open `line.host` with parity none."""
    with Line() as line, _started(kind, values, "rtu", line.device, str(unit)):
        yield line


@contextmanager
def gateway_peer(kind: str, values: Map, unit: int = 1) -> Iterator[tuple[Gateway, Line]]:
    """A Modbus RTU peer behind a gateway; connect to `gateway.port`."""
    with rtu_peer(kind, values, unit) as line, Gateway(line.host) as gateway:
        yield gateway, line


@contextmanager
def ascii_peer(kind: str, values: Map, unit: int = 1) -> Iterator[AsciiLine]:
    """A peer in ASCII mode at the far end of a line; open `line.host` with parity none."""
    with AsciiLine() as line, _started(kind, values, "ascii", line.device, str(unit)):
        yield line
