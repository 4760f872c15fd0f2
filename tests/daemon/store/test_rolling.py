"""Minutes, hours and days are those of the stored groups, whatever is killed, set or changed in between."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.app.doctor.averages import rebuild
from daemon.store.figures import Body, FigureLayout
from daemon.store.history import History
from daemon.store.packing import PackingError
from daemon.store.proving import prove
from daemon.store.reader import Reader
from daemon.store.rolling import TABLES
from daemon.store.salvage import salvage
from tests.support.rolled import (
    BEGIN,
    STEPS,
    ZONES,
    Filling,
    Plain,
    Step,
    expected,
    plain_figures,
    plant_text,
    rows,
    same,
)

QUIET = Step(10_000, (7,) * 12, (0,) * 12, 2)


def check(path: Path, zone: str) -> list[int]:
    """Every closed minute, hour and day is there, once, and equals plain reckoning. How many rows of each."""
    layouts: dict[int, FigureLayout] = {}
    wanted = expected(path, layouts, zone)
    counted = []
    for level, made in enumerate(wanted):
        *closed, _open = made.items()
        stored = list(rows(path, level))
        assert [(r[0], *r[2:5]) for r in stored] == [key for key, _ in closed]
        following = [key[0] - 1 for key, _ in made.items()][1:]
        assert [r[1] for r in stored] == following, "the rows tile the groups"
        for row, (_, plain) in zip(stored, closed, strict=True):
            _equal(layouts[row[3]], layouts[row[3]].unpack(row[5], level), plain)
        counted.append(len(stored))
    return counted


def _equal(layout: FigureLayout, body: Body, plain: Plain) -> None:
    at = 0
    for module, count in enumerate(layout.modules):
        seen = body.channels[at]
        at += 1
        for c in range(count):
            least, greatest, first, last, total, sound, good = body.channels[at : at + 7]
            at += 7
            readings = plain.channels.get((module, c), [])
            readings = [(v, r) for v, r in readings if v is None or layout.has_value(module, c, v)]
            got = (seen, sound, good, least, greatest, first, last, total) if sound else (seen, sound, good)
            assert seen == len(plain.channels.get((module, c), []))
            assert same((len(readings), *got[1:]), plain_figures(readings)), (module, c)
    assert sorted(body.derived) == sorted(plain.derived)
    for tag, t in body.derived.items():
        least, greatest, first, last, total, seen, sound, good = t
        got = (seen, sound, good, least, greatest, first, last, total) if sound else (seen, sound, good)
        assert same(got, plain_figures(list(plain.derived[tag]))), tag


@settings(max_examples=150, deadline=None)
@given(steps=st.lists(STEPS, min_size=1, max_size=40), zone=st.sampled_from(ZONES), begin=BEGIN)
def test_they_equal_plain_reckoning_over_restarts_and_changes(steps: list[Step], zone: str, begin: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.db"
        filling = Filling(path, zone, begin)
        for step in steps:
            filling.take(step)
        filling.close()
        check(path, zone)


@settings(max_examples=80, deadline=None)
@given(
    steps=st.lists(STEPS, min_size=2, max_size=30),
    zone=st.sampled_from(ZONES),
    begin=BEGIN,
    lost=st.sets(st.integers(0, 40)),
    after=st.integers(0, 12),
)
def test_what_is_missing_is_worked_out_again_while_groups_go_on(
    steps: list[Step], zone: str, begin: int, lost: set[int], after: int
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.db"
        filling = Filling(path, zone, begin)
        for step in steps:
            filling.take(step)
        for table in ("rollup_minute", "rollup_hour", "rollup_day"):
            marks = ", ".join(map(str, lost)) or "NULL"
            filling.db.execute(f"DELETE FROM {table} WHERE first_group IN ({marks})")
        filling.db.execute(
            "INSERT INTO rollup_mend (level, first_group, last_group) VALUES (0, 1, ?)", (filling.number,)
        )
        filling.restart()
        for k in range(after):
            filling.take(QUIET)
            if k % 3 == 2:
                filling.ledger.mend_figures()
            if k == 7:
                filling.restart()
        while filling.ledger.mend_figures():
            pass
        filling.close()
        check(path, zone)


def test_a_day_of_25_hours_has_them_all(tmp_path: Path) -> None:
    filling = Filling(tmp_path / "a.db", "America/Chicago", 1_793_505_300_000)  # 2026-10-31 22:55 there
    step = Step(600_000, (7,) * 12, (0,) * 12, 2)
    for _ in range(6 * 28):
        filling.take(step)
    filling.close()
    assert check(tmp_path / "a.db", "America/Chicago")[2] == 2
    days = list(rows(tmp_path / "a.db", 2))
    layout = FigureLayout(plant_text("America/Chicago").plant)
    assert layout.unpack(days[1][5]).channels[0] == 6 * 25  # polls every ten minutes, 2026-11-01


def test_a_count_of_a_broken_loop_is_no_value_whatever_its_verdict(tmp_path: Path) -> None:
    layout = FigureLayout(plant_text("UTC").plant)
    assert not layout.has_value(0, 9, 3000)  # 0.9 mA
    assert layout.has_value(0, 9, 40_000)
    assert layout.has_value(0, 0, 3000)  # a number nobody reads as a current


def test_bytes_of_another_plant_are_refused() -> None:
    layout = FigureLayout(plant_text("UTC").plant)
    body = layout.pack(layout.reckon((), (), ()))
    assert layout.unpack(body).channels[0] == 0
    with pytest.raises(PackingError, match="do not fit"):
        layout.unpack(body + b"x")
    with pytest.raises(PackingError, match="do not fit"):
        layout.unpack(body[:40])
    with pytest.raises(PackingError, match="do not read back"):
        layout.unpack(body, 0)


def test_a_salvaged_store_has_them_worked_out_again(tmp_path: Path) -> None:
    filling = Filling(tmp_path / "a.db", "America/Chicago", 1_793_505_300_000)
    for n in range(300):
        filling.take(Step(500_000, (n,) * 12, (0,) * 12, 2, ((0, n / 3, 0),)))
    filling.close()
    salvage(tmp_path / "a.db", tmp_path / "b.db", 0)
    assert not list(rows(tmp_path / "b.db", 0))
    filling.path = tmp_path / "b.db"
    filling.restart()
    while filling.ledger.mend_figures():
        pass
    filling.close()
    assert check(tmp_path / "b.db", "America/Chicago") == check(tmp_path / "a.db", "America/Chicago")


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(STEPS, min_size=2, max_size=40),
    zone=st.sampled_from(ZONES),
    begin=BEGIN,
    damage=st.tuples(st.integers(0, 2), st.integers(0, 30), st.booleans()),
)
def test_damage_is_found_and_what_is_found_is_all_there_is(
    steps: list[Step], zone: str, begin: int, damage: tuple[int, int, bool]
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.db"
        filling = Filling(path, zone, begin)
        for step in steps:
            filling.take(step)
        with Reader(path) as reader:
            proof = prove(reader)
        assert (proof.bad, proof.waiting) == ([], [])
        level, which, gone = damage
        stored = list(rows(path, level))
        assert proof.rows >= len(stored)
        if not stored:
            filling.close()
            return
        row = stored[which % len(stored)]
        if gone and (level > 0 or row is stored[-1] or row[0] > stored[0][0]):
            filling.db.execute(f"DELETE FROM {TABLES[level]} WHERE first_group = ?", (row[0],))
        else:
            layout = FigureLayout(reader.plant(row[3]))
            body = layout.unpack(row[5], level)
            other = Body((body.channels[0] + 1, *body.channels[1:]), body.derived)
            filling.db.execute(
                f"UPDATE {TABLES[level]} SET body = ? WHERE first_group = ?", (layout.pack(other, level), row[0])
            )
        filling.close()
        with Reader(path) as reader:
            bad = prove(reader).bad
        assert bad
        assert any(a <= row[0] <= b for a, b in bad)
        asyncio.run(rebuild(path))
        with Reader(path) as reader:
            assert prove(reader).bad == []
        check(path, zone)


def test_old_minutes_go_and_hours_and_days_stay(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    filling = Filling(path, "America/Chicago", 1_805_000_000_000)
    for n in range(300):
        filling.take(Step(500_000, (n,) * 12, (0,) * 12, 2))
    hours, days = list(rows(path, 1)), list(rows(path, 2))
    with Reader(path) as reader:
        before = History(reader).trend("ai.a", 1_805_000_000_000, filling.at + 1, 30)
        fine = History(reader).trend("ai.a", 1_805_000_000_000, 1_805_000_000_000 + 7_200_000, 100)
    every = list(rows(path, 0))
    while filling.ledger.thin_minutes(50):
        pass
    left = list(rows(path, 0))
    assert left == every[-len(left) :]
    assert 50 <= len(left) < 70  # a minute every 500 s: seven an hour
    assert (list(rows(path, 1)), list(rows(path, 2))) == (hours, days)
    filling.take(QUIET)
    with Reader(path) as reader:
        assert prove(reader).bad == []
        assert History(reader).trend("ai.a", 1_805_000_000_000, filling.at - QUIET.after_ms + 1, 30) == before
        assert History(reader).trend("ai.a", 1_805_000_000_000, 1_805_000_000_000 + 7_200_000, 100) == fine
    filling.db.execute("DELETE FROM rollup_minute WHERE first_group IN (SELECT first_group FROM rollup_minute LIMIT 3)")
    filling.db.execute("DELETE FROM scan_group WHERE number < 270")  # put away into an archive
    filling.ledger.ask_mend(1, filling.number)
    while filling.ledger.mend_figures():
        pass
    filling.close()
    assert (list(rows(path, 1))[: len(hours)], list(rows(path, 2))) == (hours, days)
