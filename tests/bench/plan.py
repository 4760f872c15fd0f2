"""How reads are joined: eight channels in one request against eight, and plans against the optimum by brute force.

Nothing is timed: times are those of the wire as the specifications give them, so that every run says the same.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from typing import Any

from config.model import Link, Module
from drivers.contract import Request
from drivers.modbus.plan import plan
from tests.support.planning import cost, faults_of, optimum, random_link, random_module

MAPS, QUICK_MAPS = 20_000, 500
_NEAR = 1e-8  # s; the planner counts in whole nanoseconds


def main(quick: bool) -> dict[str, object]:
    lines = {
        name: Link.model_validate({"name": "l", "kind": kind, "baud": baud})
        for name, kind, baud in (
            ("rtu_9600", "modbus-rtu", 9600),
            ("rtu_19200", "modbus-rtu", 19200),
            ("rtu_115200", "modbus-rtu", 115200),
            ("ascii_9600", "modbus-ascii", 9600),
            ("rtu_over_tcp_19200", "modbus-rtu-over-tcp", 19200),
            ("tcp", "modbus-tcp", 19200),
        )
    }
    eight = {name: eight_channels(line) for name, line in lines.items()}
    for name, e in eight.items():
        print(f"{name}: one request {e['one_ms']} ms, eight {e['eight_ms']} ms, {e['ratio']} of it", file=sys.stderr)
    found = against_optimum(QUICK_MAPS if quick else MAPS)
    print(f"{found['maps']} maps: {found}", file=sys.stderr)
    good = not found["dearer"] and not found["rules_broken"] and not found["wrongly_refused"]
    return {
        "passed": bool(good and all(e["requests"] == 1 and e["ratio"] < 0.5 for e in eight.values())),
        "eight_channels": eight,
        **found,
    }


def eight_channels(line: Link) -> dict[str, Any]:
    """Eight neighbouring registers: as planned, and one by one."""
    channels = {f"in{i}": {"function": "input", "address": i} for i in range(8)}
    module = Module.model_validate({"name": "ai", "link": "l", "channels": channels})
    made = plan(module, line).requests
    one = sum(cost(line, module, r) for r in made)
    each = sum(cost(line, module, Request("input", i, 1)) for i in range(8))
    return {
        "requests": len(made),
        "one_ms": round(1000 * float(one), 3),
        "eight_ms": round(1000 * float(each), 3),
        "ratio": round(float(one / each), 4),
    }


def against_optimum(maps: int) -> dict[str, Any]:
    """Random maps of up to seven channels on random links, each planned and each solved by trying every way."""
    said: Counter[str] = Counter()
    worst, spared = 0.0, 0.0
    for seed in range(maps):
        rng = random.Random(seed)
        module, line = random_module(rng), random_link(rng)
        best = optimum(line, module)
        try:
            made = plan(module, line)
        except ValueError:
            said["unreadable" if best is None else "wrongly_refused"] += 1
            continue
        if best is None or faults_of(module, made):
            said["rules_broken"] += 1
            continue
        paid = sum(cost(line, module, r) for r in made.requests)
        worst = max(worst, float(paid - best[0]))
        said["dearer"] += paid - best[0] > _NEAR
        said["joined"] += len(made.requests) < len(module.channels)
        said[line.kind] += 1
        apart = sum(cost(line, module, Request(c.function, c.address, c.registers)) for c in module.channels.values())
        spared += float(1 - paid / apart)
    planned = maps - said["unreadable"] - said["wrongly_refused"] - said["rules_broken"]
    return {
        "maps": maps,
        "planned": planned,
        "unreadable": said["unreadable"],
        "wrongly_refused": said["wrongly_refused"],
        "rules_broken": said["rules_broken"],
        "dearer": said["dearer"],
        "most_above_optimum_s": worst,
        "maps_with_joined_channels": said["joined"],
        "wire_time_spared": round(spared / max(planned, 1), 4),
        "planned_by_link": {k: said[k] for k in sorted(said) if k.startswith("modbus-")},
    }
