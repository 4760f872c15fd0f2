"""Last of all tests: the bytes on the wire, as the taps before the peers recorded them.

`tests/conftest.py` moves this file to the end of every run.
"""

from __future__ import annotations

from collections import Counter

import pytest

from tests.support import wire

ENOUGH = 1000
FULL = "tests/drivers/modbus/test_peers.py::test_a_thousand_polls_without_a_wrong_value"


def test_only_reading_functions_were_ever_sent(request: pytest.FixtureRequest) -> None:
    """Functions 1, 2, 3, 4 and 43 with 14, and prompts; with the polling tests, 1000 requests at least on TCP and RTU.

    Of text every byte that came to an instrument is looked at: it has to be a prompt, whole, of a plant of the test.
    """
    seen = list(wire.sent())
    polled = [t for kind in ("tcp", "rtu") for t in request.session.items if t.nodeid == f"{FULL}[{kind}]"]
    if not seen and not polled:
        pytest.skip("no peer was asked in this run")
    assert [s for s in seen if not s.allowed] == []
    if len(polled) == 2 and not request.session.testsfailed:
        counted = Counter(s.transport for s in seen)
        assert min(counted["tcp"], counted["rtu"]) >= ENOUGH, counted


@pytest.mark.parametrize("pdu", ["0500010000", "0600010000", "0f00000001", "10000000", "03000000", "2b0d", "1100", ""])
def test_anything_else_would_be_found(pdu: str) -> None:
    assert not wire.Sent("tcp", 1, bytes.fromhex(pdu)).allowed


@pytest.mark.parametrize("pdu", ["0100000001", "0200000001", "0300000001", "0400000001", "2b0e0100"])
def test_what_is_allowed_is_not(pdu: str) -> None:
    assert wire.Sent("rtu", 1, bytes.fromhex(pdu)).allowed


def test_only_a_declared_prompt_may_go_to_a_text_instrument() -> None:
    wire.declare(b"READ\r")
    assert wire.Sent("text", 0, b"READ\r").allowed
    for other in (b"READ", b"READ\r\n", b"READ\rREAD\r", b"ZERO\r", b"", bytes.fromhex("0400000001")):
        assert not wire.Sent("text", 0, other).allowed
