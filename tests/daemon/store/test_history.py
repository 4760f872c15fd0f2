"""The query room against plain reckoning from every stored group, whatever is asked and whatever happened."""

from __future__ import annotations

import asyncio
import random
import tempfile
from bisect import bisect_right
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.tags import derived_tags, raw_tags
from daemon.measure.current_loop import to_reading
from daemon.store.buckets import Days, Even, fitting
from daemon.store.figures import Figures
from daemon.store.history import History, UnknownTag
from daemon.store.reader import Reader
from daemon.store.records import ClockCorrection
from tests.support.put_away import put_all
from tests.support.rolled import BEGIN, REASONS, STEPS, ZONES, Filling, Step, begins, plain_figures, same, shown

TAGS = ("pressure", "ai.a", "ai.b", "ai.g", "di.x", "makeup.pulses", "makeup.total", "makeup.rate", "B1.state")
DAY = 86_400_000


@dataclass(frozen=True)
class Read:
    at_ms: int
    value: float | int | None
    reason: int


def plainly(reader: Reader, tag: str) -> list[Read]:
    """Every reading of a tag, dates corrected, in the order of the groups."""
    out: list[Read] = []
    for stored in reader.groups():
        g = stored.group
        plant = reader.plant(g.plant)
        for raw in raw_tags(plant):
            for scan, verdict in zip(g.scans, stored.verdicts, strict=True):
                if raw.name == tag and scan.module == raw.module:
                    count = scan.counts[raw.channel]
                    value = to_reading(count, raw, 0).value if raw.kind == "analogue" else count
                    out.append(Read(g.at_ms, value, verdict[raw.channel]))
        known = derived_tags(plant)
        out += [Read(g.at_ms, d.value, d.reason) for d in stored.derived if known[d.tag].name == tag]
    return out


@contextmanager
def filled(steps: list[Step], zone: str, begin: int, corrections: dict[int, int]) -> Iterator[History]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.db"
        filling = Filling(path, zone, begin)
        for step in steps:
            filling.take(step)
        for segment, shift in corrections.items():
            if segment <= filling.segment:
                filling.ledger.correct_clock(ClockCorrection(segment, shift, 0, "found wrong", "J. Ortiz"))
        filling.close()
        with Reader(path, slice_rows=7) as reader:
            yield History(reader)


def close(f: Figures, wanted: list[Read]) -> bool:
    readings = [(r.value, r.reason) for r in wanted]
    return same(shown(f), plain_figures(readings))


SHIFTS = st.dictionaries(st.integers(1, 4), st.sampled_from((0, 3_600_000, 13_400, -86_400_000 * 30 + 7)), max_size=2)
ENDS = st.tuples(st.integers(-DAY, DAY * 40), st.integers(1, DAY * 90))
FEW = {"after_ms": st.sampled_from((1, 9_000, 61_000, 1_900_000, 3_700_000, 40_000_000))}
POLLS = st.lists(STEPS, min_size=1, max_size=60)


@settings(max_examples=150, deadline=None)
@given(
    steps=POLLS,
    zone=st.sampled_from(ZONES),
    begin=BEGIN,
    corrections=SHIFTS,
    ends=ENDS,
    points=st.integers(1, 400),
    tag=st.sampled_from(TAGS),
)
def test_a_trend_has_the_extremes_of_the_full_data(
    steps: list[Step],
    zone: str,
    begin: int,
    corrections: dict[int, int],
    ends: tuple[int, int],
    points: int,
    tag: str,
) -> None:
    with filled(steps, zone, begin, corrections) as history:
        from_ms, to_ms = begin + ends[0], begin + ends[0] + ends[1]
        every = plainly(history.reader, tag)
        trend = history.trend(tag, from_ms, to_ms, points)
        assert len(trend.buckets) <= points
        left = [r for r in every if from_ms <= r.at_ms < to_ms]
        for b in trend.buckets:
            assert from_ms <= b.from_ms < b.to_ms <= to_ms
            inside = [r for r in left if b.from_ms <= r.at_ms < b.to_ms]
            assert inside
            assert close(b.figures, inside), (b, inside)
        assert sum(b.figures.seen for b in trend.buckets) == len(left)
        whole = history.whole(tag, from_ms, to_ms)
        assert (whole is None) if not left else (whole is not None and close(whole, left))
        assert [Read(s.at_ms, s.value, s.reason) for s in history.range(tag, from_ms, to_ms)] == left


@settings(max_examples=80, deadline=None)
@given(steps=POLLS, zone=st.sampled_from(ZONES), begin=BEGIN, corrections=SHIFTS, ends=ENDS, step=st.integers(1, 40))
def test_a_grid_lays_tags_side_by_side(
    steps: list[Step], zone: str, begin: int, corrections: dict[int, int], ends: tuple[int, int], step: int
) -> None:
    with filled(steps, zone, begin, corrections) as history:
        from_ms, to_ms = begin + ends[0], begin + ends[0] + ends[1]
        every = {t: [r for r in plainly(history.reader, t) if from_ms <= r.at_ms < to_ms] for t in TAGS[:7]}
        for rows, level in (
            (history.aligned(TAGS[:7], from_ms, to_ms, step * 977_000), -1),
            (history.hours(TAGS[:7], from_ms, to_ms), -1),
            (history.days(TAGS[:7], from_ms, to_ms), 2),
        ):
            seen, last = 0, from_ms
            for begin_ms, end_ms, figures in rows:
                assert last <= begin_ms < end_ms <= to_ms
                last = end_ms
                if level == 2 and begin_ms > from_ms:
                    assert begins(begin_ms, ZoneInfo(zone))[2] == begin_ms
                for t, f in zip(TAGS[:7], figures, strict=True):
                    inside = [r for r in every[t] if begin_ms <= r.at_ms < end_ms]
                    assert (f is None) is (not inside)
                    if f is not None:
                        assert close(f, inside)
                        seen += f.seen
            assert seen == sum(len(r) for r in every.values())


BUSY_MS = 1_790_000_000_000


def busy_steps(seed: int, count: int) -> Iterator[Step]:
    """Polls in bursts and by the hour, with kills, set clocks, plant changes, and every quality."""
    rng = random.Random(seed)
    pace = 10_000
    for _ in range(count):
        if rng.random() < 0.02:
            pace = rng.choice((1_000, 10_000, 10_000, 60_000, 600_000, 3_000_000))
        yield Step(
            rng.choice((pace, pace, pace, pace + 1, rng.randrange(1, 20 * pace))),
            tuple(rng.randrange(12_000, 65_536) for _ in range(12)),
            tuple(0 if rng.random() < 0.7 else rng.choice(REASONS) for _ in range(12)),
            rng.choice((2, 2, 2, 2, 1, 0)),
            tuple((rng.randrange(3), rng.gauss(0, 1e3), rng.choice((0, 0, 53, 57))) for _ in range(rng.randrange(3))),
            restart=rng.random() < 0.01,
            segment=rng.random() < 0.004,
            set_by_ms=rng.choice((0, 12_345, -7_200_000, 5 * DAY)),
            plant=rng.random() < 0.002,
        )


@pytest.fixture(scope="module", params=["in the store", "mostly put away"])
def busy(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[History, dict[str, list[Read]], int]]:
    path = tmp_path_factory.mktemp("history") / "a.db"
    filling = Filling(path, "America/Chicago", BUSY_MS)
    for step in busy_steps(7, 6000):
        filling.take(step)
    for segment, shift in ((2, 13_400), (4, -2 * DAY - 7), (5, 3_600_000)):
        assert segment < filling.segment
        filling.ledger.correct_clock(ClockCorrection(segment, shift, 0, "found wrong", "J. Ortiz"))
    while request.param != "in the store" and filling.ledger.thin_minutes(400):
        pass
    filling.close()
    with Reader(path) as reader:
        every = {t: plainly(reader, t) for t in TAGS}
    if request.param != "in the store":
        assert asyncio.run(put_all(path, DAY))
    with Reader(path) as reader:
        hot = reader.ask(lambda db: db.execute("SELECT min(number) FROM scan_group").get)
        assert (hot > 3000) is (request.param != "in the store")
        yield History(reader), every, filling.at


@settings(max_examples=200, deadline=None)
@given(
    begin=st.floats(-0.1, 1.1),
    length=st.floats(0.000001, 1.2),
    points=st.sampled_from((1, 2, 7, 24, 100, 500, 2000)),
    tag=st.sampled_from(TAGS),
)
def test_a_trend_of_a_long_recording_has_its_extremes(
    busy: tuple[History, dict[str, list[Read]], int], begin: float, length: float, points: int, tag: str
) -> None:
    history, every, end_ms = busy
    from_ms = BUSY_MS + round(begin * (end_ms - BUSY_MS))
    to_ms = from_ms + 1 + round(length * (end_ms - BUSY_MS))
    trend = history.trend(tag, from_ms, to_ms, points)
    assert len(trend.buckets) <= points
    held: dict[int, list[Read]] = {b.from_ms: [] for b in trend.buckets}
    begins_at = sorted(held)
    for r in every[tag]:
        if from_ms <= r.at_ms < to_ms:
            held[begins_at[bisect_right(begins_at, r.at_ms) - 1]].append(r)
    for b in trend.buckets:
        assert all(r.at_ms < b.to_ms for r in held[b.from_ms])
        assert close(b.figures, held[b.from_ms]), b


def test_a_peak_of_one_poll_stands_out_of_a_year(tmp_path: Path) -> None:
    filling = Filling(tmp_path / "a.db", "America/Chicago", 1_767_247_200_000)  # 2026-01-01 there
    for n in range(9000):
        level = 60_000 if n == 4567 else 30_000 + n % 50
        filling.take(Step(3_500_000, (level,) * 12, (0,) * 12, 1))
    filling.close()
    with Reader(tmp_path / "a.db") as reader:
        history = History(reader)
        trend = history.trend("ai.a", filling.at - 365 * DAY, filling.at + 1, 200)
        assert 150 <= len(trend.buckets) <= 200
        assert max(b.figures.greatest for b in trend.buckets) == 60_000
        assert sum(b.figures.greatest == 60_000 for b in trend.buckets) == 1


def test_a_tag_nobody_knows_is_told_with_those_that_are_near(tmp_path: Path) -> None:
    filling = Filling(tmp_path / "a.db", "UTC", 1_805_000_000_000)
    filling.close()
    with Reader(tmp_path / "a.db") as reader, pytest.raises(UnknownTag, match=r"'makeup'.*makeup\.total"):
        History(reader).use("makeup")


@given(
    from_ms=st.integers(0, 4_000_000_000_000),
    length=st.integers(1, 20 * 366 * DAY),
    points=st.integers(1, 5000),
    zone=st.sampled_from(ZONES),
)
def test_stretches_are_never_more_than_asked_for_and_not_needlessly_few(
    from_ms: int, length: int, points: int, zone: str
) -> None:
    found = fitting(from_ms, from_ms + length, points, ZoneInfo(zone))
    touched = found.index(from_ms + length - 1) - found.index(from_ms) + 1
    assert touched <= points
    if isinstance(found, Even):
        assert found.step_ms % (1 if found.step_ms < 60_000 or touched == 1 else 60_000) == 0
    if points > 2 and length > points:
        assert touched >= min(points // 2, length // DAY) * 0.9 - 2


def test_days_are_those_of_the_calendar() -> None:
    days = Days(ZoneInfo("America/Chicago"))
    begin = days.begin(days.index(1_793_520_000_000))  # 2026-11-01, its clock goes back
    assert days.begin(days.index(begin) + 1) - begin == 25 * 3_600_000
