"""Benchmarks and fault campaigns by name: `deploy/prove NAME [--quick]`, `deploy/prove --list`.

To register one, add a row to TABLE: its name, the module, one line about it. The module lies under `tests/bench/` or
`tests/campaign/` and has one function:

    def main(quick: bool) -> dict[str, object]

It does the whole run, prints what happens to standard error, and returns its figures, JSON values alone, among them
"passed": bool. With `quick` it does the size the tests run. It raises for what keeps it from measuring. The last line
on standard output is printed here: one line of JSON with the name, the size and the figures. Exit code 0: passed,
1: not, 2: no such name. Only the standard library is imported here, so that `--list` needs no set-up.
"""

from __future__ import annotations

import argparse
import importlib
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Final, NamedTuple


class Row(NamedTuple):
    module: str
    about: str


TABLE: Final[Mapping[str, Row]] = {
    "start-up": Row(
        "tests.bench.start_up", "process start to the first stored reading, and memory, beside a bare script"
    ),
    "loop": Row("tests.bench.loop", "poll, pipeline and durable commit of 8 modules at 1 Hz, beside the least loop"),
    "plan": Row(
        "tests.bench.plan", "reads joined: eight channels in one request against eight, plans against the optimum"
    ),
    "tcp": Row("tests.bench.tcp", "processor time of one read over Modbus TCP, beside the bare client"),
    "rtu": Row("tests.bench.rtu", "share of the wire limit on a paced serial line, and silences cut"),
    "commit": Row("tests.bench.commit", "one group stored durably, beside a bare insert and a plain write"),
    "trend": Row("tests.bench.trend", "a year of one tag in 2000 points with exact extremes, beside DuckDB on Parquet"),
    "many": Row("tests.bench.many", "64 TCP modules at 1 Hz: cost, drift and lateness of polling alone"),
    "corruption": Row("tests.campaign.corruption", "damage injected into the byte stream: is a wrong value ever good"),
    "signals": Row(
        "tests.campaign.signals", "verdicts on signals over days of the demo: false ones, and how soon faults are found"
    ),
    "nth-write": Row(
        "tests.campaign.nth_write", "every single write of the store fails once, and the power goes at every one"
    ),
    "ten-years": Row("tests.bench.ten_years", "ten years of polls made, put away month by month, and asked"),
    "faults": Row("tests.campaign.faults", "nth-write, then 1000 kills: the whole fault campaign by one word"),
    "replay": Row("tests.bench.replay", "ninety days of the creamery replayed, beside a plain loop over 16 channels"),
    "outage": Row("tests.campaign.outage", "the central server gone for a simulated week, then all of it there"),
    "life": Row("tests.campaign.life", "a service's life with acts, a reload and a kill, replayed from its own export"),
    "kill": Row("tests.campaign.kill", "the service killed at random moments, against a ledger kept outside"),
}


def listing(table: Mapping[str, Row]) -> str:
    """One line a name, in the table's order."""
    width = max(map(len, table), default=0)
    return "\n".join(f"{name:{width}}  {row.about}" for name, row in table.items())


def prove(name: str, quick: bool, table: Mapping[str, Row]) -> dict[str, object]:
    """Run one and return its figures with name and size in front. TypeError when a module does not say if it passed."""
    figures = importlib.import_module(table[name].module).main(quick)
    if not isinstance(figures, dict) or not isinstance(figures.get("passed"), bool):
        raise TypeError(
            f"{table[name].module}.main must return its figures with 'passed': true or false; got {figures!r}"
        )
    return {"name": name, "quick": quick, **figures}


def main(argv: list[str], table: Mapping[str, Row] = TABLE) -> int:
    parser = argparse.ArgumentParser(prog="deploy/prove", description="Runs one benchmark or fault campaign.")
    parser.add_argument("name", nargs="?")
    parser.add_argument("--quick", action="store_true", help="the size that the tests run")
    parser.add_argument("--list", action="store_true", help="the names there are")
    given = parser.parse_args(argv)
    if given.list:
        print(listing(table) or "Nothing is registered yet.")
        return 0
    if given.name not in table:
        print(f"There is no {given.name!r} to prove. deploy/prove --list names what there is.", file=sys.stderr)
        return 2
    figures = prove(given.name, given.quick, table)
    print(json.dumps(figures), flush=True)
    return 0 if figures["passed"] else 1


if __name__ == "__main__":
    # Last on the path: `tests` is found here, while daemon, drivers and config stay those of the installed wheel.
    sys.path.append(str(Path(__file__).resolve().parent.parent))
    sys.exit(main(sys.argv[1:]))
