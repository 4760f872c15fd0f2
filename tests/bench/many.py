"""`many`: 64 TCP modules at 1 Hz: processor time of polling alone, drift and lateness, beside the library's client.

Goals: at most 1.2 times the processor time of a bare loop over the library's client, no drift over any number of
cycles, lateness p99 at most twice that of bare timers or of the bare loop, whichever is later: all modules are due at
one instant, and the last of them waits for the others' requests on either side.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from tests.support.modbus_peers import libmodbus_server

MODULES, SERVERS = 64, 8
SIDES = Path(__file__).with_name("many_modules.py")


def main(quick: bool) -> dict[str, object]:
    """Ratios of processor time and lateness."""
    seconds, rounds = (5, 1) if quick else (60, 3)
    found: dict[str, list[dict[str, Any]]] = {"bare": [], "service": [], "timers": []}
    with ExitStack() as stack:
        ports = [_server(stack) for _ in range(SERVERS)] * (MODULES // SERVERS)
        for _ in range(rounds):
            for side, results in found.items():
                command = [sys.executable, "-P", str(SIDES), side, ",".join(map(str, ports)), str(seconds)]
                done = subprocess.run(command, check=True, capture_output=True, text=True)
                results.append(json.loads(done.stdout))

    def middle(side: str, pick: Any) -> float:
        return float(statistics.median(pick(r) for r in found[side]))

    ratio = middle("service", lambda r: r["cpu_us_a_poll"]) / middle("bare", lambda r: r["cpu_us_a_poll"])
    late = {side: middle(side, lambda r: r["late_ms"]["p99"]) for side in found}
    drift = max(r["drift_ms"] for r in found["service"])
    polls = min(r["polls"] for r in found["service"])
    allowed = 2 * max(late["timers"], late["bare"])
    return {
        "passed": ratio <= 1.2 and drift < 1.0 and late["service"] <= allowed and polls >= MODULES * (seconds - 1),
        "ratio": round(ratio, 2),
        "service_us_a_poll": round(middle("service", lambda r: r["cpu_us_a_poll"]), 1),
        "bare_us_a_poll": round(middle("bare", lambda r: r["cpu_us_a_poll"]), 1),
        "late_p99_ms": {k: round(v, 3) for k, v in late.items()},
        "drift_ms": drift,
        "polls": polls,
    }


def _server(stack: ExitStack) -> int:
    file = stack.enter_context(tempfile.NamedTemporaryFile("w", suffix=".map"))  # noqa: SIM115
    file.write("".join(f"input {i} {4000 + 7 * i}\n" for i in range(16)))
    file.flush()
    peer = stack.enter_context(
        subprocess.Popen(
            [libmodbus_server(), "tcp", file.name], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
    )
    assert peer.stdin is not None
    assert peer.stdout is not None
    stack.callback(peer.wait, 5)
    stack.callback(peer.stdin.close)
    return int(peer.stdout.readline())
