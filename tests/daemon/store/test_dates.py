"""Dates written under a wrong clock are shown corrected; what is stored, and what the engine is given, stays."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from daemon.store.errors import StoreRefused
from daemon.store.reader import Reader
from daemon.store.records import ClockCorrection
from daemon.store.writer import Writer
from tests.support.stores import START_MS, Made, begin, commit, made

YEARS_MS = -7 * 365 * 86_400_000


def dated(one: Made, by_ms: int) -> Made:
    """The same group as a clock `by_ms` off would have dated it."""
    outcome = replace(
        one.outcome,
        journal=tuple(replace(e, at_ms=e.at_ms + by_ms) for e in one.outcome.journal),
        blows=tuple(replace(b, start_ms=b.start_ms + by_ms, end_ms=b.end_ms + by_ms) for b in one.outcome.blows),
    )
    return replace(one, group=replace(one.group, at_ms=one.group.at_ms + by_ms), outcome=outcome)


async def three_segments(path: Path, correct: bool = True) -> tuple[Writer, list[Made]]:
    """Groups 1 to 6 dated rightly, 7 to 14 seven years early, 15 to 20 rightly: what is right of them all."""
    writer = await begin(path)
    right = [made(n, segment=1 if n < 7 else 2 if n < 15 else 3) for n in range(1, 21)]
    wrong = ClockCorrection(2, -YEARS_MS, START_MS + 15_000, "the clock was set forward by 7 years", "")
    for one in right:
        n = one.group.number
        if n == 7:
            await writer.open_segment("run 2", 7000, START_MS + YEARS_MS, "start", doubt="behind the last group")
        if n == 15:
            corrections = [wrong] if correct else []
            await writer.open_segment("run 2", 15_000, START_MS, wrong.why, corrections=corrections)
        await commit(writer, dated(one, YEARS_MS) if 7 <= n < 15 else one)
    return writer, right


async def test_groups_journal_and_blows_carry_the_corrected_date_and_lie_in_its_order(tmp_path: Path) -> None:
    writer, right = await three_segments(tmp_path / "a.db")
    await writer.aclose()
    with Reader(tmp_path / "a.db", slice_rows=3) as reader:
        found = list(reader.groups())
        assert [s.group for s in found] == [m.group for m in right]
        assert [s.journal for s in found] == [m.outcome.journal for m in right]
        assert [s.moved_ms for s in found] == [0] * 6 + [-YEARS_MS] * 8 + [0] * 6
        assert list(reader.journal()) == [e for m in right for e in m.outcome.journal]
        assert list(reader.blows()) == [b for m in right for b in m.outcome.blows]
        assert reader.integrity() == ()


@pytest.mark.parametrize(("first", "last"), [(1, 20), (5, 9), (7, 14), (8, 12), (13, 17), (15, 20)])
async def test_between_two_times_means_the_corrected_times(tmp_path: Path, first: int, last: int) -> None:
    writer, right = await three_segments(tmp_path / "a.db")
    await writer.aclose()
    a, b = START_MS + first * 1000, START_MS + last * 1000 + 1
    with Reader(tmp_path / "a.db", slice_rows=3) as reader:
        assert [s.group.number for s in reader.groups(a, b)] == list(range(first, last + 1))
        wanted = [e for m in right for e in m.outcome.journal if a <= e.at_ms < b]
        assert list(reader.journal(a, b)) == wanted
        wanted_blows = [w for m in right for w in m.outcome.blows if a <= w.start_ms < b]
        assert list(reader.blows(a, b)) == wanted_blows
        wrong = START_MS + YEARS_MS  # where it was written, nothing is any more
        assert list(reader.groups(wrong, wrong + 100_000)) == []
        assert list(reader.journal(wrong, wrong + 100_000)) == []


async def test_the_engine_is_given_the_dates_it_had(tmp_path: Path) -> None:
    writer, right = await three_segments(tmp_path / "a.db")
    await writer.aclose()
    with Reader(tmp_path / "a.db") as reader:
        raw = [s.group.at_ms for s in reader.groups_after(0)]
    assert raw == [m.group.at_ms + (YEARS_MS if 7 <= m.group.number < 15 else 0) for m in right]


async def test_a_later_correction_of_the_same_segment_holds_and_can_take_it_back(tmp_path: Path) -> None:
    writer, right = await three_segments(tmp_path / "a.db", correct=False)
    with Reader(tmp_path / "a.db") as reader:
        assert [s.group.at_ms for s in reader.groups()][6] == right[6].group.at_ms + YEARS_MS
        assert reader.clock_segments()[1].doubt == "behind the last group"
        await writer.correct_clock(ClockCorrection(2, 5000, START_MS, "a guess", "J. Ortiz"))
        await writer.correct_clock(ClockCorrection(2, -YEARS_MS, START_MS, "by the visit sheet", "J. Ortiz"))
        assert [s.group for s in reader.groups()] == [m.group for m in right]
        assert reader.shifts() == {2: -YEARS_MS}
        await writer.correct_clock(ClockCorrection(2, 0, START_MS, "taken back", "J. Ortiz"))
        assert [s.group.at_ms for s in reader.groups()][6] == right[6].group.at_ms + YEARS_MS
        assert [c.person for c in reader.clock_corrections()] == ["J. Ortiz"] * 3
        assert (await writer.clock())[1] == reader.clock_corrections()
        assert reader.integrity() == ()
    with pytest.raises(StoreRefused, match="no clock segment 9"):
        await writer.correct_clock(ClockCorrection(9, 0, START_MS, "", ""))
    await writer.aclose()
