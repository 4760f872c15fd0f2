"""Whatever was polled, a number is explained as the engine had it: outages, wild counts, a changed plant file."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import event, given, settings
from hypothesis import strategies as st

from config.load import loads
from daemon.app.stepping import advance
from daemon.core.outcome import Derived
from daemon.core.scan import Group, Scan
from daemon.core.tags import derived_tags, raw_tags
from daemon.engine import State
from daemon.measure.wiring import ANALOGUE
from daemon.report.explain import explain_tag
from daemon.report.explain_alarm import explain_alarm
from daemon.report.explain_past import Past
from daemon.store.reader import Reader
from tests.support.small_store import BOILER, cond, store
from tests.support.wording import forbidden

START = 1_789_000_000_000
ANALOGUE_TOO = (
    BOILER.replace(
        'b1_limit = { function = "discrete", address = 1 }',
        'b1_limit = { function = "discrete", address = 1 }\n'
        'condensate = { function = "input", address = 3, type = "u16", span = "0..65535 = 0..20 mA" }',
    )
    + """
[[analogue]]
name = "condensate"
channel = "ai.condensate"
range = "4..20 mA = 0..200 uS/cm"
high = 60
low = 5
deadband = 5
delay = "20 s"
"""
)
OTHER = ANALOGUE_TOO.replace("0..5000 uS/cm", "0..4000 uS/cm").replace('pulse = "100 L"', 'pulse = "50 L"')
TEXTS = {1: ANALOGUE_TOO, 2: OTHER}
PLANTS = {v: loads(text).plant for v, text in TEXTS.items()}

counts = st.tuples(
    st.one_of(st.integers(0, 65535), st.just(cond(2950)), st.none()),
    st.one_of(st.integers(0, 40), st.integers(0, 2**32 - 1), st.none()),
    st.sampled_from([0, 0, 1, None]),
    st.sampled_from([0, 1, 1, 1, None]),
    st.one_of(st.sampled_from([13_107, 20_000, 60_000]), st.integers(0, 65535), st.none()),
)
polls = st.lists(
    st.tuples(counts, st.sampled_from([10_000] * 6 + [30_000, 700_000]), st.sampled_from([1, 2, 17, 18])),
    min_size=2,
    max_size=40,
)


def groups(found: list[tuple[tuple[int | None, ...], int, int]], turn: int) -> list[Group]:
    """Polls as groups; the plant file changes at number `turn`; a long wait was not watched."""
    out, t = [], 0
    for number, (row, after_ms, fault) in enumerate(found, 1):
        t += after_ms
        scan = Scan(0, row, tuple(fault if c is None else 0 for c in row))
        gap = after_ms if after_ms > 60_000 and number > 1 else 0
        out.append(Group(number, START + t, t, 1, 1 + (number >= turn), (scan,), (), gap))
    return out


@settings(max_examples=40)
@given(polls, st.integers(2, 60), st.integers(3, 50), st.integers(0, 10_000))
def test_any_poll(found: list[tuple[tuple[int | None, ...], int, int]], turn: int, every: int, pick: int) -> None:
    of = groups(found, turn)
    with TemporaryDirectory(prefix="waterside-any-") as folder:
        path = store(Path(folder) / "w.db", of, TEXTS, snapshot_every=every)
        check(path, of, pick % len(of))
        with Reader(path) as reader:
            numbers = {e.occurrence for e in reader.journal() if e.occurrence}
            past = Past(reader, advance)
            for number in numbers:
                told = explain_alarm(past, number)
                assert told.differs == (), told.as_text()
                assert told.facts["alarm"] == number and not forbidden(told.as_text())
            event(f"alarms: {min(len(numbers), 5)}")


def check(path: Path, of: list[Group], look: int) -> None:
    """Every tag at one poll, against the engine stepped to it."""
    state: State | None = None
    last: dict[str, Derived] = {}
    for group in of[: look + 1]:
        state, outcome = advance(state, group, PLANTS.__getitem__)
        last |= {derived_tags(PLANTS[group.plant])[d.tag].name: d for d in outcome.derived}
    assert state is not None
    plant, s, w = PLANTS[of[look].plant], state.cells.senses, state.programme.wiring
    with Reader(path) as reader:
        past = Past(reader, advance)
        for k, tag in enumerate(raw_tags(plant)):
            told = explain_tag(past, tag.name, of[look].at_ms)
            kind, slot = w.tag_slots[k]
            want = s.values[slot] if kind == ANALOGUE else of[look].scans[0].counts[tag.channel]
            assert told.facts["value"] == want
            assert told.facts["reason"] == outcome.verdicts[0][tag.channel]
            assert told.differs == () and told.as_text() and told.as_json()
        for tag_ in derived_tags(plant):
            told = explain_tag(past, tag_.name, of[look].at_ms)
            d = last.get(tag_.name)
            if d is None:
                assert told.facts["value"] is None
            else:
                assert told.facts["reason"] == d.reason
                assert told.facts["value"] in (d.value, None)
                if told.facts["value"] is None:
                    assert tag_.what in ("figure", "event", "pacing") and told.facts["quality"] == "bad"
            assert told.differs == (), told.as_text()
