"""Alarms that are asked only when something happened tell the same as when every alarm is asked in every group."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from daemon.alarms.condition import Asked
from daemon.core.outcome import GroupOutcome
from daemon.core.scan import Act, Group, Scan
from daemon.engine import start, step
from daemon.engine.state import State
from tests.support.recordings import creamery, groups

PLANT = creamery().plant


def troubled(seed: int) -> list[Group]:
    """Hours of the creamery in which modules fall silent, counts are wrong, contacts turn, people act."""
    r = random.Random(seed)
    silent: dict[int, tuple[int, int]] = {}
    out = []
    for g in groups(9.0, 10):
        scans = []
        for scan in g.scans:
            left, why = silent.get(scan.module, (0, 0))
            if not left and r.random() < 0.004:
                left, why = r.randint(1, 60), r.choice((1, 2, 18, 5))
            silent[scan.module] = (max(0, left - 1), why)
            if left:
                scans.append(Scan(scan.module, (None,) * len(scan.counts), (why,) * len(scan.counts)))
                continue
            counts = list(scan.counts)
            for i, c in enumerate(counts):
                if c in (0, 1) and r.random() < 0.001:
                    counts[i] = 1 - c
                elif c is not None and c > 100 and r.random() < 0.001:
                    counts[i] = r.choice((0, 65535, int(c) // 2))
            scans.append(Scan(scan.module, tuple(counts), scan.faults))
        acts: tuple[Act, ...] = ()
        if r.random() < 0.01:
            acts = (Act(g.number, "ack", "J. Ortiz", g.at_ms, {"occurrence": r.randint(1, 30)}),)
        elif r.random() < 0.01:
            body = {"kind": "logger_disk", "active": r.random() < 0.5, "value": 1.0, "limit": 2.0, "evidence": "disk"}
            acts = (Act(g.number, "service", "waterside", g.at_ms, body),)
        out.append(replace(g, scans=tuple(scans), acts=acts, gap_ms=9000 if r.random() < 0.002 else 0))
    return out


def told(state: State, recording: list[Group], cut: int) -> list[GroupOutcome]:
    out: list[GroupOutcome] = []
    for i in range(0, len(recording), cut):
        state, outcomes = step(state, recording[i : i + cut])
        out += outcomes
    return out


@pytest.mark.parametrize("seed", range(4))
def test_asking_less_often_tells_the_same(seed: int) -> None:
    recording, state = troubled(seed), start(PLANT, 1)
    p = state.programme
    always = State(replace(p, asks_minute=p.asks, asks_group=p.asks), 1, state.cells)
    found, wanted = told(state, recording, 97), told(always, recording, 500)
    assert found == wanted
    assert sum(len(o.journal) for o in found) > 30


def test_most_alarms_wait_for_something_to_happen() -> None:
    p = start(PLANT, 1).programme
    kinds = {a.alarm.kind for a in p.asks if a.alarm.asked is Asked.EVENTS}
    assert {"low_water", "interlock_open", "module_silent", "logger_disk"} <= kinds
    assert len(p.asks_group) < len(p.asks_minute) < len(p.asks)
