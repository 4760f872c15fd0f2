"""Whatever a fully wired boiler does: no condition fails, cuts and restarts change nothing, every text may be sent."""

from __future__ import annotations

import inspect
import random
from itertools import pairwise
from types import ModuleType

import pytest

from daemon.alarms import contacts, feedwater, house, idle, signal, valve_wear
from daemon.engine import dump, restore, start, step
from daemon.report.explain_kinds import JUDGED
from tests.support.feed import Feed, boiler, plant, same
from tests.support.wording import forbidden

WIRED = boiler(
    "timed",
    sample='flush = "20 s", every = "10 min"',
    valve='command = "m.blow", travel = "10 s", open_switch = "m.opened", shut_switch = "m.shut"',
    more='water = "8 t"\nsteam_max = "5 t/h"\nfeedwater_conductivity = "feedwater"\nhand_blow = "10 min"\n'
    'probe_temperature = { channel = "m.temp", range = "4..20 mA = 0..200 °C" }\n'
    'controller_hand = { contact = "m.alarm", closed_means = "hand" }\n'
    'burner = { contact = "m.high", closed_means = "firing" }\n',
)
OTHERS = """[alarms.controller_idle]
on_delay = "5 min"
[alarms.chemical_feed_while_off]
on_delay = "1 min"
[alarms.short_cycling]
count = 1
within = "4 h"
[[analogue]]
name = "feedwater"
channel = "m.temp"
range = "4..20 mA = 0..2000 uS/cm"
[[chemical]]
name = "scavenger"
pump = "m.low"
serves = ["B1"]
[[meter]]
name = "blowdown"
channel = "m.pulses"
measures = "blowdown"
pulse = "10 L"
max_rate = "20 m3/h"
serves = ["B1"]
"""
PLANT = plant(WIRED, OTHERS)
KINDS = {
    "short_cycling",
    "controller_idle",
    "blowdown_while_off",
    "chemical_feed_while_off",
    "valve_switch_disagrees",
}
CONTACTS = ("blow", "opened", "shut", "limit", "alarm", "high", "low")


def log_of(r: random.Random) -> Feed:
    """Hours in which everything may happen to every signal."""
    feed = Feed(PLANT)
    for _ in range(r.randint(5, 60)):
        for name in r.sample(CONTACTS, r.randint(0, 4)):
            feed.now[name] = r.choice((None, 0, 1, 1))
        feed.now["cond"] = r.choice((None, r.uniform(0, 5000), r.uniform(2900, 3200), feed.now["cond"]))
        feed.now["ma"] = r.choice((None, None, None, r.uniform(0, 24)))
        feed.now["temp"] = r.choice((None, r.uniform(0, 24), r.uniform(10, 19)))
        feed.now["pulses"] = r.choice((None, r.randint(0, 65535)))
        if r.random() < 0.1:
            feed.poll(gap_ms=r.choice((0, 600_000)))
        feed.run(10 * r.randint(1, 90))
    return feed


def test_any_log_cut_anywhere_and_restarted_anywhere_tells_the_same() -> None:
    seen: set[str] = set()
    for seed in range(40):
        r = random.Random(seed)
        feed = log_of(r)
        cuts = sorted(r.randint(0, len(feed.groups)) for _ in range(r.randint(0, 6)))
        state, outcomes = start(PLANT, 1), []
        for a, b in pairwise([0, *cuts, len(feed.groups)]):
            state, out = step(restore(PLANT, dump(state)), feed.groups[a:b])
            outcomes += out
        assert [e for o in outcomes for e in o.journal] == feed.entries, seed
        assert [n for o in outcomes for n in o.notices] == feed.notices, seed
        assert same(state, feed.state), seed
        for e in feed.entries:
            assert not forbidden(e.evidence), e
            assert e.evidence or e.event != "raised", e
        seen.update(e.kind for e in feed.entries if e.event == "raised")
    assert seen >= KINDS, KINDS - seen


@pytest.mark.parametrize("room", [contacts, feedwater, house, idle, signal, valve_wear], ids=lambda m: m.__name__)
def test_explain_has_words_for_every_condition(room: ModuleType) -> None:
    conditions = [name for name, x in inspect.getmembers(room, inspect.isclass) if hasattr(x, "judge")]
    assert conditions
    assert [name for name in conditions if name not in JUDGED] == []
