"""The scenario's table, the daily shape, and what both lead to in the counts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from config.load import loads
from drivers.demo import scenario
from drivers.demo.house import House
from drivers.demo.load import condensate_share, steam_share
from drivers.demo.modules import Count
from drivers.demo.plant import packaged_text
from drivers.demo.recording import COLUMNS, Row, record, write_csv
from drivers.demo.scenario import CYCLE, CYCLE_MINUTES, DEFAULT_START_MS, FIRST, FIRST_MINUTES, Event

HOURS = 5.0


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    return list(record(DEFAULT_START_MS, HOURS))


def of(rows: list[Row], ref: str) -> list[float]:
    """A channel's counts, a value each 10 s."""
    at = COLUMNS.index(ref)
    return [float(r.counts[at] or 0) for r in rows]


def cond(counts: float) -> float:
    """Counts of a conductivity input to umho/cm, by the spans of the plant file."""
    return (counts / 65535 * 20 - 4) / 16 * 5000


def minutes(values: list[float], test: Callable[[float], bool]) -> list[float]:
    return [n / 6 for n, v in enumerate(values) if test(v)]


def test_the_table_is_sound() -> None:
    for e, length in [(e, FIRST_MINUTES) for e in FIRST] + [(e, CYCLE_MINUTES) for e in CYCLE]:
        assert 0 <= e.start < e.end <= length, e


def test_what_runs_begins_and_ends_as_the_table_says() -> None:
    assert scenario.running(0) == () and scenario.next_change(0) == min(e.start for e in FIRST)
    for e in FIRST:
        assert e in scenario.running(e.start) and e not in scenario.running(e.end)
    whole = [
        sorted((x.what, x.whom) for x in scenario.running(FIRST_MINUTES + n * CYCLE_MINUTES + 250)) for n in range(4)
    ]
    assert whole[0] and all(w == whole[0] for w in whole)


def test_next_change_skips_nothing() -> None:
    minute, seen = 0.0, 0
    while minute < FIRST_MINUTES + 2 * CYCLE_MINUTES:
        nxt = scenario.next_change(minute)
        assert nxt > minute
        middle = (minute + nxt) / 2
        assert scenario.running(middle) == scenario.running(minute)
        minute, seen = nxt, seen + 1
    assert seen > 2 * len(CYCLE)


def test_first_twenty_minutes_are_normal(rows: list[Row]) -> None:
    early = rows[: 20 * 6]
    assert all(cond(c) < 3300 for ref in ("ai.b1_cond", "ai.b2_cond") for c in of(early, ref))
    assert all(of(early, f"di.{b}_limit") == [1.0] * len(early) for b in ("b1", "b2"))
    assert sum(of(early, "di.b1_valve_open")) >= 4  # and B1 took a sample in them


def test_b2_goes_high_before_its_trip_and_comes_back(rows: list[Row]) -> None:
    high = minutes(of(rows, "ai.b2_cond"), lambda c: cond(c) > 3300)
    tripped = minutes(of(rows, "di.b2_limit"), lambda c: c == 0)
    assert 40 < high[0] < tripped[0] - 5
    assert tripped[-1] - tripped[0] == pytest.approx(20, abs=0.5) and len(tripped) == pytest.approx(120, abs=3)
    assert cond(of(rows, "ai.b2_cond")[round(tripped[0] * 6)]) > 3300  # the alarm stands when the trip comes
    assert high[-1] < 140
    assert minutes(of(rows, "ai.b2_cond"), lambda c: cond(c) < 2950)[-1] > 140
    assert not minutes(of(rows, "di.b1_limit"), lambda c: c == 0)


def test_b2_does_not_blow_while_in_hand_or_tripped(rows: list[Row]) -> None:
    hand = {n for n, v in enumerate(of(rows, "counters.b2_hand")) if v}
    tripped = {n for n, v in enumerate(of(rows, "di.b2_limit")) if not v}
    blowing = {n for n, v in enumerate(of(rows, "di.b2_blow")) if v}
    assert hand and tripped and blowing
    assert not blowing & (hand | tripped)


def test_b1_valve_sticks_shut_is_noticed_and_freed(rows: list[Row]) -> None:
    command, opened, shut = (of(rows, f"di.b1_{c}") for c in ("blow", "valve_open", "valve_shut"))
    stuck = [n / 6 for n in range(len(rows)) if command[n] and shut[n] and n and command[n - 1]]
    during = [m for m in stuck if 126 <= m <= 208]
    assert len(during) > 30 * 6  # commanded open for more than half an hour, and nothing moves
    assert not any(opened[n] for n in range(127 * 6, 208 * 6))
    temp = of(rows, "ai.b1_probe_temp")
    assert temp[180 * 6] < temp[115 * 6]  # cold: no sample flows
    freed = [n / 6 for n in range(208 * 6, len(rows)) if opened[n]]
    assert 208 < freed[0] < 225
    assert cond(of(rows, "ai.b1_cond")[round((freed[0] + 1) * 6)]) > 3300  # what had climbed unseen
    assert any(of(rows, "di.b1_ctl_alarm")[185 * 6 : 210 * 6])


def test_the_day_has_a_shape() -> None:
    monday, sunday = 0.0, 6 * 1440.0
    assert steam_share(monday + 9 * 60) > 2 * steam_share(monday + 2 * 60)
    assert steam_share(sunday + 9 * 60) < 0.5 * steam_share(monday + 9 * 60)
    quiet, washing = steam_share(monday + 13 * 60 + 55), steam_share(monday + 14 * 60 + 5)
    assert washing > quiet  # 14:00 begins a wash cycle of 12 minutes
    assert condensate_share(14 * 60) < condensate_share(10 * 60)
    assert all(0.2 <= steam_share(m) <= 1.0 for m in range(7 * 1440))


def test_the_load_follows_the_clock_of_the_creamery() -> None:
    def steam(start_ms: int) -> float:
        house = House(start_ms)
        house.advance(600)
        return sum(f.steam for f in house.flows)

    assert steam(DEFAULT_START_MS - 5 * 3_600_000) < 0.6 * steam(DEFAULT_START_MS)  # 02:00 and 07:00


def test_the_same_seed_and_start_give_the_same_plant_however_it_is_asked() -> None:
    start = DEFAULT_START_MS
    tens = list(record(start, 0.5, 10))
    assert tens == list(record(start, 0.5, 10))
    assert tens[::3] == list(record(start, 0.5, 30))
    assert tens != list(record(start, 0.5, 10, seed=2))
    assert tens[-1].counts != list(record(start + 1000, 0.5, 10))[-1].counts


def at(seconds: int, *events: Event) -> dict[str, Count | None]:
    """Counts at a plant second, with these events and no others."""
    *_, last = record(DEFAULT_START_MS, seconds / 3600, seconds, events=events)
    return dict(zip(COLUMNS, last.counts, strict=True))


def test_a_silent_module_leaves_empty_cells(tmp_path: Path) -> None:
    event = Event(0, 1, "module silent", "aux")
    assert {ref.split(".")[0] for ref, c in at(30, event).items() if c is None} == {"aux"}
    assert None not in at(90, event).values()  # and it comes back
    file = tmp_path / "raw.csv"
    assert write_csv(file, list(record(DEFAULT_START_MS, 0.01, 36, events=(event,)))[1:]) == 1
    head, line = file.read_text("utf-8").splitlines()
    assert head.split(",") == ["time", *COLUMNS]
    assert line.startswith(f"{DEFAULT_START_MS + 36_000},") and line.endswith("," * 8)


def test_a_restarted_module_counts_from_nothing_and_loses_no_water_after() -> None:
    before, after = at(600), at(600, Event(5, 6, "counters restart", "counters"))
    passed = at(300)
    for meter in ("makeup", "feedwater_b1", "feedwater_b2", "blowdown", "gas"):
        ref = f"counters.{meter}"
        whole, since, then = before[ref], after[ref], passed[ref]
        assert whole is not None and since is not None and then is not None
        assert since == pytest.approx(whole - then, abs=1) and since < whole


def test_a_broken_loop_reads_nothing_at_all() -> None:
    counts = at(60, Event(0, 5, "loop open", "ai.b1_cond"))
    assert counts["ai.b1_cond"] == 0 and (counts["ai.b2_cond"] or 0) > 13_107  # 4 mA


def test_a_cut_off_test_shows_low_water_and_stops_the_burner() -> None:
    test = Event(10, 10.5, "cut-off test", "B1")
    during, after = at(615, test), at(900, test)
    assert (during["di.b1_low_water"], during["di.b1_limit"], during["counters.b1_burner"]) == (1, 0, 0)
    assert (after["di.b1_low_water"], after["di.b1_limit"], after["counters.b1_burner"]) == (0, 1, 1)
    assert (during["di.b2_low_water"], during["di.b2_limit"], during["counters.b2_burner"]) == (0, 1, 1)


def test_a_plugged_bleed_goes_cool_and_flat() -> None:
    plugged, flowing = at(3000, Event(10, 60, "bleed plugged", "B2")), at(3000)
    assert (plugged["ai.b2_probe_temp"] or 0) < (flowing["ai.b2_probe_temp"] or 0) - 5000


def test_a_fouled_condensate_and_filled_tanks_show() -> None:
    counts, usual = (
        at(600, Event(1, 60, "condensate fouled", "", 70.0), Event(1, 9, "tank filled", "polymer_tank")),
        at(600),
    )
    assert (counts["aux.condensate_cond"] or 0) - (usual["aux.condensate_cond"] or 0) == pytest.approx(
        70 / 200 * 16_000, abs=150
    )
    assert ((counts["aux.polymer_level"] or 0) - 4000) / 160 == pytest.approx(
        87.8,
        abs=1,  # of the height of a lying cylinder, filled to 93 % of its volume
    )
    assert ((usual["aux.polymer_level"] or 0) - 4000) / 160 == pytest.approx(66.8, abs=1)  # of 71 % of it


def test_a_recording_reads_back_exactly(tmp_path: Path) -> None:
    import csv
    import gzip

    rows = list(record(DEFAULT_START_MS, 0.1))
    file = tmp_path / "raw.csv.gz"
    assert write_csv(file, rows) == 37
    with gzip.open(file, "rt", encoding="utf-8", newline="") as text:
        read = list(csv.DictReader(text))
    for got, want in zip(read, rows, strict=True):
        assert int(got["time"]) == want.at_ms
        assert [float(got[c]) for c in COLUMNS] == [float(c) for c in want.counts if c is not None]


def test_columns_stand_in_the_order_of_the_plant_file() -> None:
    plant = loads(packaged_text()).plant
    assert tuple(f"{m.name}.{c}" for m in plant.modules for c in m.channels) == COLUMNS
