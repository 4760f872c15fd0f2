"""What was really sent on the wire, recorded at the peers' side of every link of a test session.

Every tap (TcpTap, Line) writes one line a request into the session's file: transport, unit, PDU in hex. Use a tap
before every peer, also when the service under test is a process of its own; `tests/test_zz_wire.py` reads the file
when all other tests are done. A program started by a test that makes taps of its own finds the file's name in the
environment variable WATERSIDE_TEST_WIRE.
"""

from __future__ import annotations

import atexit
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

VARIABLE = "WATERSIDE_TEST_WIRE"
_DECLARED = "declared"


@dataclass(frozen=True, slots=True)
class Sent:
    """One request as it arrived at a peer. `pdu` begins with the function code."""

    transport: str  # tcp, rtu, text
    unit: int
    pdu: bytes

    @property
    def allowed(self) -> bool:
        """Whether it is one of the read functions 1 to 4, whole, or 43 with 14; of text, a prompt that was declared."""
        if self.transport == "text":
            return self.pdu in prompts()
        if self.pdu[:1] in (b"\x01", b"\x02", b"\x03", b"\x04"):
            return len(self.pdu) == 5
        return self.pdu[:2] == bytes((43, 14))


def file() -> Path:
    """The session's file, made on first use."""
    if VARIABLE not in os.environ:
        handle, name = tempfile.mkstemp(prefix="waterside-wire-", suffix=".txt")
        os.close(handle)
        os.environ[VARIABLE] = name
        atexit.register(Path(name).unlink, missing_ok=True)
    return Path(os.environ[VARIABLE])


def record(transport: str, unit: int, pdu: bytes) -> None:
    """Append one request. Lines are short, so that several processes may append to one file."""
    with file().open("a") as out:
        out.write(f"{transport} {unit} {pdu.hex()}\n")


def declare(prompt: bytes) -> None:
    """A prompt that a plant of the session asks a text instrument with."""
    record(_DECLARED, 0, prompt)


def prompts() -> set[bytes]:
    """Every prompt declared so far."""
    return {s.pdu for s in _lines(file()) if s.transport == _DECLARED}


def sent(path: Path | None = None) -> Iterator[Sent]:
    """Every request recorded so far."""
    return (s for s in _lines(path or file()) if s.transport != _DECLARED)


def _lines(path: Path) -> Iterator[Sent]:
    for line in path.read_text().splitlines():
        transport, unit, pdu = line.split()
        yield Sent(transport, int(unit), bytes.fromhex(pdu))
