"""A recording replayed gives the very journal; recordings come and go without loss."""

from __future__ import annotations

import asyncio
import csv
import gzip
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.app.stepping import advance_many
from daemon.core.reasons import Reason
from daemon.core.scan import Act, Group, Scan
from daemon.report.carried import acts_of
from daemon.report.raw_export import export_raw
from daemon.report.recording import RecordingError, RecordingWriter, read_recording
from daemon.report.replay import ReplayError, alarm_cells, replay
from daemon.store.duck import connected
from daemon.store.reader import Reader
from drivers.demo.recording import record, write_csv
from drivers.demo.scenario import DEFAULT_START_MS
from tests.support import stores
from tests.support.creamery_store import creamery_store, fill
from tests.support.recordings import creamery, groups


def alarms(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as f:
        return list(csv.reader(f))[1:]


def stored_journal(store: Path, above: int = 0) -> list[list[str]]:
    with Reader(store) as reader:
        return [list(alarm_cells(e)) for s in reader.groups_after(above) for e in s.journal]


def test_the_raw_export_of_a_store_replays_to_its_very_journal(tmp_path: Path) -> None:
    recording = groups(3.5)
    store = tmp_path / "whole.db"
    asyncio.run(fill(store, recording[:110]))  # before the first snapshot: from nothing
    with Reader(store) as reader:
        export_raw(reader, recording[0].at_ms, recording[-1].at_ms + 1, tmp_path / "raw")
    assert not (tmp_path / "raw" / "state.txt").exists()
    summary = replay(
        creamery(),
        tmp_path / "raw/counts.csv.gz",
        tmp_path / "out",
        acts=tmp_path / "raw/acts.jsonl",
        advance=advance_many,
    )
    assert summary["groups"] == 110
    assert alarms(tmp_path / "out/alarms.csv") == stored_journal(store)


def test_from_the_middle_with_its_state_it_is_the_same_journal(tmp_path: Path) -> None:
    recording = groups(3.5)
    store = creamery_store()
    middle = recording[700].at_ms
    with Reader(store) as reader:
        snapshots = [s.group for s in reader.snapshots()]
        export_raw(reader, recording[-200].at_ms, recording[-1].at_ms + 1, tmp_path / "raw")
    assert snapshots and middle
    raw = tmp_path / "raw"
    replay(
        creamery(), raw / "counts.csv.gz", tmp_path / "out", acts=raw / "acts.jsonl", state=raw / "state.txt",
        advance=advance_many,
    )  # fmt: skip
    begin = json.loads((raw / "state.txt").read_text().splitlines()[0])["group"]
    assert begin < 1261 - 200
    assert alarms(tmp_path / "out/alarms.csv") == stored_journal(store, begin)


def test_two_replays_are_the_same_to_the_byte_and_write_readings(tmp_path: Path) -> None:
    raw = tmp_path / "counts.csv"
    n = write_csv(raw, record(DEFAULT_START_MS, 2.0))
    for out in ("a", "b"):
        summary = replay(creamery(), raw, tmp_path / out, advance=advance_many)
    assert summary["groups"] == n
    for name in ("alarms.csv", "summary.json"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    assert len(alarms(tmp_path / "a/alarms.csv")) > 3
    with connected() as db:
        rows = db.execute(
            "select count(*), count(distinct tag), min(value) from read_parquet(?) where tag = 'B2.probe'",
            [str(tmp_path / "a/readings.parquet")],
        ).fetchone()
    assert rows is not None
    assert rows[0] == n
    assert 1000 < rows[2] < 5000
    assert not (tmp_path / "a/outbox").exists()


def test_a_time_that_goes_back_is_refused_with_its_row(tmp_path: Path) -> None:
    raw = tmp_path / "counts.csv"
    write_csv(raw, record(DEFAULT_START_MS, 0.1))
    lines = raw.read_text().splitlines()
    lines[10], lines[11] = lines[11], lines[10]
    raw.write_text("\n".join(lines))
    with pytest.raises(ReplayError, match=r"line 12 \(row 11\), column time: .* is before the row above"):
        replay(creamery(), raw, tmp_path / "out", advance=advance_many)
    assert not (tmp_path / "out/alarms.csv").exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the file is empty"),
        ("when,ai.a\n", 'the first column wants to be "time"'),
        ("time,ai.zz\n", "wants module.channel of the plant; found 'ai.zz'"),
        ("time,ai.a\nyesterday,1\n", "line 2, column time: wants ISO 8601"),
        ("time,ai.a\n2026-11-25T06:00:00Z,1,2\n", "line 2: wants 2 cells as in the header; found 3"),
        ("time,ai.a\n2026-11-25T06:00:00Z,70000\n", "line 2, column ai.a"),
        ("time,ai.a\n2026-11-25T06:00:00Z,!sleepy\n", "line 2, column ai.a"),
        ("time,ai.b\n2026-11-25T06:00:00Z,-40000\n", "line 2, column ai.b"),
    ],
)
def test_what_is_wrong_with_a_recording_is_named(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "counts.csv"
    path.write_text(text)
    with pytest.raises(RecordingError) as e:
        list(read_recording(path, stores.plant().plant))
    assert said in str(e.value)
    assert "counts.csv" in str(e.value)


def test_the_rule_of_the_empty_cell(tmp_path: Path) -> None:
    path = tmp_path / "counts.csv.gz"
    with gzip.open(path, "wt") as f:
        f.write(
            "time,ai.a,ai.e,ai.f,di.x,di.y\n"
            "2026-11-25T06:00:00Z,1,18446744073709551615,0.1,1,0\n"
            "1795586402000,,,,,\n"  # 2 s later: nothing is due, so nothing is in the group
            "2026-11-25T06:00:10Z,!exception 2,,0.30000000000000004,,1\n"
            "2026-11-25T06:00:20+00:00,,,,1,1\n"
        )
    got = list(read_recording(path, stores.plant().plant))
    first, second, third, fourth = got
    assert first.scans[0].counts[4] == 2**64 - 1
    assert first.scans[0].counts[1] is None and first.scans[0].faults[1] == Reason.NO_ANSWER
    assert second.scans == ()
    assert third.scans[0].faults[0] == Reason.REFUSED_2
    assert third.scans[0].counts[5] == 0.30000000000000004
    assert third.scans[1].counts == (None, 1)
    assert set(fourth.scans[0].faults) == {int(Reason.NO_ANSWER)}
    assert [g.elapsed_ms for g in got] == [0, 2000, 10_000, 20_000]


COUNTS = {
    "u16": st.integers(0, 65535),
    "s16": st.integers(-32768, 32767),
    "u32": st.integers(0, 2**32 - 1),
    "s32": st.integers(-(2**31), 2**31 - 1),
    "u64": st.integers(0, 2**64 - 1),
    "f32": st.floats(width=32, allow_nan=False, allow_infinity=False),
    "f64": st.floats(allow_nan=False, allow_infinity=False),
    "bit": st.integers(0, 1),
}
MODULES = stores.plant().plant.modules


@st.composite
def any_groups(draw: st.DrawFn) -> list[Group]:
    out: list[Group] = []
    at, elapsed = stores.START_MS, 0
    for number in range(1, draw(st.integers(1, 12)) + 1):
        scans = []
        for k, m in enumerate(MODULES):
            if draw(st.booleans()):
                counts = [draw(st.one_of(st.none(), COUNTS[c.type])) for c in m.channels.values()]
                faults = [draw(st.sampled_from([1, 2, 3, 4, 5, 6, 17, 27, 28])) if c is None else 0 for c in counts]
                scans.append(Scan(k, tuple(counts), tuple(faults)))
        acts = (Act(number, "note", "Kim", at, {"text": "ü"}),) if draw(st.booleans()) else ()
        out.append(Group(number, at, elapsed, 1, 1, tuple(scans), acts))
        step = draw(st.integers(1, 30_000))
        at, elapsed = at + step, elapsed + step
    if draw(st.booleans()) and len(out) > 1:
        out[-1] = replace(out[-1], gap_ms=500)
    return out


@given(any_groups())
@settings(max_examples=150)
def test_groups_come_back_from_a_recording_as_they_went(made: list[Group]) -> None:
    rows, acts = io.StringIO(newline=""), io.StringIO()
    source = stores.plant()
    writer = RecordingWriter(rows, acts, {1: source.plant}, {1: source.text})
    for group in made:
        writer.add(group)
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "counts.csv"
        path.write_text(rows.getvalue(), "utf-8", newline="")
        back = list(read_recording(path, source.plant, acts_of(acts.getvalue().splitlines(), "acts")))
    assert [replace(g, acts=()) for g in back] == [replace(g, acts=()) for g in made]
    assert [[(a.number, a.kind, a.by, dict(a.body)) for a in g.acts] for g in back] == [
        [(a.number, a.kind, a.by, dict(a.body)) for a in g.acts] for g in made
    ]
