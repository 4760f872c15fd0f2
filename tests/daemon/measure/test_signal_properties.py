"""No row of counts, times and contacts makes an exception, or a good reading out of a bad signal."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import given, settings
from hypothesis import strategies as st

from config.model import Plant
from daemon.core.outcome import GroupOutcome
from daemon.core.reasons import Quality, Reason, quality
from daemon.core.tags import derived_tags
from daemon.engine import dump, restore, step
from daemon.measure.boiler_state import STEAMING
from tests.support.feed import Feed, boiler, plant, same

TEMPERATURE = 'probe_temperature = { channel = "m.temp", range = "4..20 mA = 0..200 °C" }\n'
SIZES = 'water = "12000 lb"\nsteam_max = "10000 lb/h"\n'
VALVES = ('command = "m.blow", travel = "10 s"', 'open_switch = "m.opened", travel = "10 s"', "")
SAMPLE = 'flush = "20 s", settle = "30 s"'
ONE_MA = 65535 / 20
SOUND = (round(4.01 * ONE_MA), round(19.99 * ONE_MA))


def plants() -> st.SearchStrategy[Plant]:
    """B1 in every arrangement, live and held, with and without valve and temperature."""
    return st.builds(
        lambda arrangement, signal, valve, temperature: plant(
            boiler(arrangement, signal=signal, sample=SAMPLE, valve=valve, more=SIZES + temperature * TEMPERATURE)
        ),
        st.sampled_from(("continuous", "timed", "hold", "side-stream", "none")),
        st.sampled_from(("live", "held")),
        st.sampled_from(VALVES),
        st.booleans(),
    )


@dataclass(frozen=True)
class Stretch:
    """Polls in a row: the probe's current from `ma` on by `by` a poll with a spike to `spike` each `each` polls."""

    polls: int
    ma: float
    by: float
    spike: float
    each: int
    blow: int | None
    limit: int | None
    temp: float
    silent: bool
    gap_ms: int


STRETCHES = st.lists(
    st.builds(
        Stretch,
        polls=st.integers(1, 40),
        ma=st.one_of(st.floats(0, 21.9), st.sampled_from((4.0, 20.0, 12.0, 13.6, 3.59, 3.8, 20.5, 21.0))),
        by=st.sampled_from((0.0, 0.0, 0.001, -0.002, 0.4)),
        spike=st.floats(0, 21.9),
        each=st.sampled_from((0, 0, 0, 2, 5)),
        blow=st.sampled_from((0, 1, 1, None)),
        limit=st.sampled_from((1, 1, 1, 1, 0, None)),
        temp=st.sampled_from((3.0, 4.0, 8.0, 17.0, 19.5, 21.5)),
        silent=st.sampled_from((False, False, False, False, True)),
        gap_ms=st.sampled_from((0, 0, 0, 60_000, 7_200_000)),
    ),
    min_size=1,
    max_size=14,
)


def played(feed: Feed, row: list[Stretch]) -> list[GroupOutcome]:
    """What came of it, a group each; every claim is checked as it is made."""
    what = [t.what for t in derived_tags(feed.plant)]
    out = []
    for s in row:
        for k in range(s.polls):
            ma = s.spike if s.each and k % s.each == s.each - 1 else min(21.9, max(0.0, s.ma + k * s.by))
            both = {"blow": s.blow, "opened": s.blow}
            o = feed.poll(
                ma=ma, limit=s.limit, temp=s.temp, silent=int(s.silent), gap_ms=s.gap_ms if k == 0 else 0, **both
            )
            honest(feed, s, o, what)
            out.append(o)
    return out


def honest(feed: Feed, s: Stretch, o: GroupOutcome, what: list[str]) -> None:
    """Judge a group by its raw counts alone."""
    count = feed.groups[-1].scans[0].counts[0]
    verdict = o.verdicts[0][0]
    sound = isinstance(count, int) and SOUND[0] <= count <= SOUND[1]
    if not sound:
        assert verdict, f"a signal of {count} counts is called good"
    read = [d for d in o.derived if what[d.tag] == "conductivity"]
    for d in read:
        assert quality(d.reason) is not Quality.BAD
        assert quality(verdict) is not Quality.BAD, Reason(verdict)
        assert count is not None and not s.silent
        assert feed.state.cells.senses.boilers[0].state.state == STEAMING
        assert s.limit != 0 or feed.plant.boilers[0].interlock is None
        if not sound:
            assert d.reason, f"a good reading of {count} counts"
        if not feed.plant.boilers[0].blowdown_valve and feed.plant.boilers[0].sample.arrangement in ("timed", "hold"):  # type: ignore[union-attr]
            assert quality(d.reason) is Quality.UNCERTAIN
    returned = [e for e in o.journal if e.event == "returned" and e.kind.startswith("conductivity")]
    assert not (returned and quality(verdict) is Quality.BAD and verdict not in BETWEEN), (returned, Reason(verdict))


BETWEEN = (Reason.NOT_SAMPLING, Reason.FLUSHING, Reason.SETTLING, Reason.CUT_SHORT)
"""A sample that has just ended is judged while the probe says already that none flows."""


@settings(max_examples=120, deadline=None)
@given(plants(), STRETCHES)
def test_no_signal_makes_an_exception_or_a_good_reading_out_of_a_bad_one(p: Plant, row: list[Stretch]) -> None:
    feed = Feed(p)
    played(feed, row)
    assert same(restore(p, dump(feed.state)), feed.state)  # everything remembered can be packed


@settings(max_examples=40, deadline=None)
@given(plants(), STRETCHES, st.integers(1, 400))
def test_what_is_said_of_a_signal_is_the_same_however_a_recording_is_cut(
    p: Plant, row: list[Stretch], cut: int
) -> None:
    feed = Feed(p)
    outcomes = played(feed, row)
    fresh = Feed(p).state
    fresh, first = step(fresh, feed.groups[:cut])
    fresh, second = step(fresh, feed.groups[cut:])
    assert [*first, *second] == outcomes
    assert same(fresh, feed.state)
