"""Any counts, times and contacts: no exception, no figure without a sound reason, nothing depends on the cut."""

from __future__ import annotations

import math
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.reasons import Quality, quality
from daemon.core.scan import Group, Scan
from daemon.core.tags import PACING, derived_tags
from daemon.engine import dump, restore, start, step
from tests.support.feed import START_MS, boiler, plant
from tests.support.figures import WATER, analogue, meter

WATERS = (
    'feedwater_conductivity = "feedwater"\nmakeup_conductivity = "700 uS/cm"\ncondensate_conductivity = "condensate"\n'
)
PACED = (
    'pacing = "with blow"\nlimit = "10 min"\n',
    'pacing = "after blow"\nlimit = "5 min"\nshare = "80 %"\n',
    'pacing = "share of time"\nshare = "30 %"\ncycle = "10 min"\nspeed = "speed"\n',
    'pacing = "schedule"\ntimes = ["06:00", "Sun 01:30"]\nrun = "20 min"\n',
    'pacing = "makeup"\nvolume = "200 L"\nrun = "60 s"\n',
    'meter = "strokes"\n',
    'tank = "t"\n',
)


def pump(k: int, more: str) -> str:
    rate = "" if "tank" in more or "meter" in more else 'rate = "2 L/h"\nrate_date = "2026-09-14"\n'
    return f'[[chemical]]\nname = "c{k}"\npump = "m.pump"\nserves = ["B1"]\n{rate}{more}'


PLANT = plant(
    WATER,
    boiler(valve='command = "m.blow", shut_switch = "m.shut", opening_flow = "1 t/h", bleed = "50 kg/h"', more=WATERS),
    analogue("feedwater", "0..500 uS/cm"),
    analogue("condensate", "0..200 uS/cm"),
    analogue("speed", "0..100 %"),
    '[[tank]]\nname = "t"\nvolume = "200 L"\nlevel = { channel = "m.level", range = "4..20 mA = 0..100 %" }\n'
    'serves = ["B1"]\n',
    meter("feed", "feedwater"),
    meter("makeup", "makeup"),
    meter("blown", "blowdown"),
    meter("strokes", "other", "1 mL"),
    *(pump(k, more) for k, more in enumerate(PACED)),
)
NAMES = tuple(PLANT.modules[0].channels)
TAGS = derived_tags(PLANT)
BITS = {n for n in NAMES if PLANT.modules[0].channels[n].type == "bit"}
TOTALS = {"feed", "makeup", "blown", "strokes"}


def counts(name: str) -> st.SearchStrategy[Any]:
    if name in BITS:
        return st.sampled_from((0, 1, None))
    if name in TOTALS:
        return st.one_of(st.none(), st.integers(0, 2**32 - 1), st.integers(0, 5000))
    return st.one_of(st.none(), st.integers(0, 65535), st.integers(3900, 20100))


GROUP = st.tuples(
    st.sampled_from((0, 1000, 10_000, 60_000, 600_000, 3_600_000, 40_000_000)),  # ms since the last
    st.sampled_from((0, 0, 0, 30_000, 10**9)),  # of it unwatched
    st.sampled_from((0, 0, 0, -7_200_000, 3_600_000)),  # a step of the clock
    st.fixed_dictionaries({n: counts(n) for n in NAMES}),
)


def groups_of(rows: list[Any]) -> list[Group]:
    out, elapsed, moved = [], 0, 0
    for number, (dt, gap, clock, values) in enumerate(rows, 1):
        elapsed += dt
        moved += clock
        found = tuple(values[n] for n in NAMES)
        scan = Scan(0, found, tuple(1 if c is None else 0 for c in found))
        out.append(Group(number, START_MS + elapsed + moved, elapsed, 1, 1, (scan,), (), gap))
    return out


@settings(max_examples=200, deadline=None)
@given(rows=st.lists(GROUP, min_size=1, max_size=25), cut=st.integers(0, 25))
def test_any_signals(rows: list[Any], cut: int) -> None:
    groups = groups_of(rows)
    whole, outcomes = step(start(PLANT, 1), groups)
    part, first = step(start(PLANT, 1), groups[:cut])
    part, rest = step(restore(PLANT, dump(part)), groups[cut:])
    assert (part.cells, first + rest) == (whole.cells, outcomes)
    for outcome in outcomes:
        for d in outcome.derived:
            tag = TAGS[d.tag]
            if not tag.figure:
                continue
            assert (math.isfinite(d.value) and d.value >= 0) or tag.name == "makeup.condensate_return"
            if quality(d.reason) is Quality.BAD:
                assert d.value == 0.0
            elif tag.what == "pacing":
                assert 0 <= d.value < len(PACING)
            elif "of_feedwater" in tag.name:
                assert d.value < 100
        for blow in outcome.blows:
            assert blow.kg is None or blow.kg >= 0
            assert (blow.kg is None) == (blow.kg_by == "")
