"""A PC whose clock is years off at start: all is kept, doubted by record, and dated anew once the clock is right."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.app.clocking import correct_clock, listing
from daemon.app.letterbox import ActRefused
from daemon.app.timebase import EARLIEST_MS
from daemon.app.wrong_clock import FAR_AHEAD_MS, Doubts, trusted_ms
from daemon.store.reader import Reader
from tests.daemon.app.test_keeper import bench
from tests.support.clock import START_MS

YEARS_MS = 7 * 365 * 86_400_000


def dates(store: Path) -> list[int]:
    with Reader(store) as reader:
        return [s.group.at_ms for s in reader.groups()]


@pytest.mark.parametrize("off_ms", [-YEARS_MS, 3 * YEARS_MS], ids=["years behind", "years ahead"])
async def test_readings_under_a_wrong_clock_are_dated_anew_when_it_is_set_right(tmp_path: Path, off_ms: int) -> None:
    store = tmp_path / "w.db"
    async with bench(store) as b:
        await b.polls(6)
    async with bench(store, start_ms=START_MS + 3_600_000 + off_ms) as b:
        await b.polls(6)
        with Reader(store) as reader:
            assert reader.clock_segments()[-1].doubt
        wrong = dates(store)[6:]
        b.clock._start_ms -= off_ms  # a time server is reached
        await b.polls(6)
    with Reader(store) as reader:
        groups = list(reader.groups())
        assert [s.group.number for s in groups] == list(range(1, 19))
        at = [s.group.at_ms for s in groups]
        second = START_MS + 3_600_000
        assert at == [START_MS + n * 10_000 for n in range(1, 7)] + [second + n * 10_000 for n in range(1, 13)]
        assert [s.moved_ms for s in groups] == [0] * 6 + [-off_ms] * 6 + [0] * 6
        assert [s.group.at_ms for s in reader.groups_after(6)][:6] == wrong == [t + off_ms for t in at[6:12]]
        (correction,) = reader.clock_corrections()
        assert (correction.segment, correction.shift_ms, correction.person) == (2, -off_ms, "waterside")
        told = [e.evidence for e in reader.journal() if e.kind == "logger_clock" and e.event == "raised"]
        assert any("corrected by" in t for t in told)
        assert reader.integrity() == ()


async def test_two_settings_in_one_run_date_all_of_it(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    async with bench(store, start_ms=1_000_000) as b:  # 1970, in an empty store
        await b.polls(3)
        b.clock._start_ms = 50_000_000_000  # 1971: set, and still wrong
        await b.polls(3)
        b.clock._start_ms = START_MS
        await b.polls(3)
    assert dates(store) == [START_MS + n * 10_000 for n in range(1, 10)]
    with Reader(store) as reader:
        assert [bool(s.doubt) for s in reader.clock_segments()] == [True, True, False]
        assert [c.segment for c in reader.clock_corrections()] == [1, 2]


async def test_a_time_server_that_sets_the_clock_later_dates_what_was_stored_before(tmp_path: Path) -> None:
    store, kept = tmp_path / "w.db", [False]
    async with bench(store, kept=lambda: kept[0]) as b:
        await b.polls(3)
        b.clock._start_ms += 600_000  # ten minutes late: nothing impossible
        await b.polls(3)
        assert dates(store)[0] == START_MS + 10_000  # set by hand or not: nobody says that it is right now
        kept[0] = True
        await b.polls(7)
        await b.polls(2)
    assert dates(store) == [START_MS + 600_000 + n * 10_000 for n in range(1, 16)]
    with Reader(store) as reader:
        assert [s.doubt for s in reader.clock_segments()] == ["", ""]
        assert [(c.segment, c.shift_ms) for c in reader.clock_corrections()] == [(1, 600_000)]


async def test_a_clock_set_with_nothing_in_doubt_leaves_the_past_as_it_was(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    async with bench(store) as b:
        await b.polls(3)
        b.clock._start_ms += 600_000
        await b.polls(3)
    assert dates(store)[2] == START_MS + 30_000
    with Reader(store) as reader:
        assert reader.clock_corrections() == ()


async def test_a_run_that_ended_in_doubt_is_dated_by_a_person(tmp_path: Path) -> None:
    store = tmp_path / "w.db"
    async with bench(store) as b:
        await b.polls(3)
    async with bench(store, start_ms=START_MS - YEARS_MS) as b:
        await b.polls(3)
    async with bench(store, start_ms=START_MS + 86_400_000) as b:
        await b.polls(1)
        with Reader(store) as reader:
            assert [bool(s.doubt) for s in reader.clock_segments()] == [False, True, False]
        began = START_MS + 7_200_000
        import asyncio

        act = asyncio.ensure_future(
            correct_clock(b.writer, b.keeper, {"segment": 2, "began_ms": began, "by": "J. Ortiz"}, b.clock.now_ms())
        )
        while not b.keeper._acts:  # noqa: ASYNC110  (the act is answered by the next poll)
            await asyncio.sleep(0)
        await b.polls(1)
        answer = await act
        assert answer["shift_ms"] == began - (START_MS - YEARS_MS)
        for wrong, said in [
            ({"segment": 9, "began_ms": began, "by": "J. Ortiz"}, "no clock segment 9"),
            ({"segment": 2, "began_ms": "noon", "by": "J. Ortiz"}, "before now"),
            ({"segment": 2, "began_ms": b.clock.now_ms() + 1, "by": "J. Ortiz"}, "before now"),
            ({"segment": 2, "began_ms": began, "by": " "}, "needs a person"),
        ]:
            with pytest.raises(ActRefused, match=said):
                await correct_clock(b.writer, b.keeper, wrong, b.clock.now_ms())
    assert dates(store)[3:6] == [began + n * 10_000 for n in range(1, 4)]
    with Reader(store) as reader:
        from zoneinfo import ZoneInfo

        row = listing(reader, ZoneInfo("America/Chicago"))[1]
        assert (row["doubt"], row["shift_ms"]) == ("", answer["shift_ms"])
        assert "J. Ortiz" in row["corrected"]
        assert any(e.kind == "note" and "clock segment 2" in e.evidence for e in reader.journal())
        assert reader.integrity() == ()


def test_what_is_doubted() -> None:
    doubts = Doubts(START_MS)
    assert doubts.about(START_MS) == doubts.about(START_MS + FAR_AHEAD_MS) == ""
    assert "1 hour" in doubts.about(START_MS - 3_600_000) or "60 min" in doubts.about(START_MS - 3_600_000)
    assert "a long pause, or a wrong clock" in doubts.about(START_MS + FAR_AHEAD_MS + 1)
    assert "earlier than this program" in Doubts(None).about(EARLIEST_MS - 1)
    assert Doubts(None).about(EARLIEST_MS) == ""
    assert trusted_ms((), (), None) is None
