"""A store with a life behind it (acts, a new plant file, a restart, a clock set back) replays to its very journal."""

from __future__ import annotations

import csv
import gzip
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.app.stepping import advance_many
from daemon.core.reasons import Quality, quality, words
from daemon.core.scan import Group
from daemon.core.tags import derived_tags, raw_tags
from daemon.report.raw_export import export_raw
from daemon.report.replay import ReplayError, alarm_cells, replay
from daemon.store.duck import connected
from daemon.store.reader import Reader
from tests.support.recordings import creamery, groups
from tests.support.small_store import BOILER, cond, counted, every, store

LOWER = creamery().text.replace('set_point = "3000 umho/cm"', 'set_point = "2700 umho/cm"')
HOUR_MS = 3_600_000


def lived() -> Iterator[Group]:
    """Three and a half hours: limits change at 600, nothing watched for ten minutes at 700, an hour back at 900."""
    number = 0
    for g in groups(3.5):
        if 700 <= g.number < 760:
            continue
        number += 1
        segment = 1 + (g.number >= 760) + (g.number >= 900)
        at_ms = g.at_ms - (HOUR_MS if segment == 3 else 0)
        gap_ms = 600_000 if g.number == 760 else 0
        plant = 2 if g.number > 600 else 1
        yield replace(g, number=number, at_ms=at_ms, segment=segment, plant=plant, gap_ms=gap_ms)


ACTS: dict[int, tuple[str, dict[str, object]]] = {
    430: ("ack", {"occurrence": 1}),
    500: ("note", {"text": 'strainer "B2", cleaned;\nand shut', "target": "B2"}),
    720: ("ack", {"occurrence": 4711}),
}


@pytest.fixture(scope="module")
def life(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("life") / "w.db"
    return store(path, lived(), {1: creamery().text, 2: LOWER}, acts=ACTS, snapshot_every=250)


def exported(path: Path, folder: Path, after: int = 0) -> Path:
    """The raw export of the groups from `after` on."""
    with Reader(path) as reader:
        (first, *_) = reader.groups_after(after)
        export_raw(reader, first.group.at_ms, 1 << 45, folder)
    return folder


def journal(path: Path, after: int = 0) -> list[list[str]]:
    with Reader(path) as reader:
        return [list(alarm_cells(e)) for s in reader.groups_after(after) for e in s.journal]


def alarms(folder: Path) -> list[list[str]]:
    with (folder / "alarms.csv").open(encoding="utf-8", newline="") as f:
        return list(csv.reader(f))[1:]


def test_it_holds_what_it_is_for(life: Path) -> None:
    with Reader(life) as reader:
        entries = list(reader.journal())
        assert len(reader.clock_segments()) == 3
        assert len(reader.plant_versions()) == 2
        assert [a.result == "" for a in reader.acts()] == [True, True, False]
    assert {"raised", "returned", "acknowledged", "suppressed", "note"} <= {e.event for e in entries}


def test_from_the_beginning(life: Path, tmp_path: Path) -> None:
    raw = exported(life, tmp_path / "raw")
    assert sorted(p.name for p in raw.iterdir()) == ["acts.jsonl", "counts.csv.gz", "plant.toml"]
    assert (raw / "plant.toml").read_text("utf-8") == LOWER
    out = tmp_path / "out"
    summary = replay(creamery(), raw / "counts.csv.gz", out, acts=raw / "acts.jsonl", advance=advance_many)
    want = journal(life)
    assert alarms(out) == want
    assert summary["groups"] == sum(1 for _ in lived())
    assert sum(summary["raised"].values()) == sum(row[4] == "raised" for row in want)
    assert summary == json.loads((out / "summary.json").read_text("utf-8"))


# the clock was set back by an hour: what was at the time of group 1101 was at the time of group 741 too
@pytest.mark.parametrize(("after", "state"), [(260, 250), (640, 500), (1100, 500)])
def test_from_the_middle_with_the_state_before_it(life: Path, tmp_path: Path, after: int, state: int) -> None:
    raw = exported(life, tmp_path / "raw", after)
    begun = json.loads((raw / "state.txt").read_text("ascii").splitlines()[0])["group"]
    assert begun == state
    out = tmp_path / "out"
    replay(
        creamery(), raw / "counts.csv.gz", out, acts=raw / "acts.jsonl", state=raw / "state.txt", advance=advance_many
    )
    assert alarms(out) == journal(life, begun)


def test_every_reading_of_the_store_is_in_the_parquet_file_in_order(life: Path, tmp_path: Path) -> None:
    raw = exported(life, tmp_path / "raw")
    replay(creamery(), raw / "counts.csv.gz", tmp_path / "out", acts=raw / "acts.jsonl", advance=advance_many)
    with connected() as db:
        found = iter(
            db.execute(
                "select epoch_ms(time), tag, value, unit, quality, reason from read_parquet(?)",
                [str(tmp_path / "out" / "readings.parquet")],
            ).fetchall()
        )
    plant = creamery().plant
    raws, derived = raw_tags(plant), derived_tags(plant)
    probes = 0
    with Reader(life) as reader:
        for s in reader.groups_after(0):
            at_ms = s.group.at_ms
            for scan, verdicts in zip(s.group.scans, s.verdicts, strict=True):
                for tag in (t for t in raws if t.module == scan.module):
                    verdict, count = verdicts[tag.channel], scan.counts[tag.channel]
                    at, name, value, unit, good, why = next(found)
                    assert (at, name, good, why) == (at_ms, tag.name, quality(verdict).value, words(verdict))
                    if tag.kind != "analogue":
                        assert (value, unit) == (count, "")
                    elif tag.name.endswith(".probe") and count is not None:
                        ma = count / 65535 * 20
                        assert value == pytest.approx((ma - 4) / 16 * 5000, abs=1e-6)
                        assert unit == "uS/cm"
                        probes += 1
            for d in s.derived:
                tag_of = derived[d.tag]
                none = tag_of.figure and quality(d.reason) is Quality.BAD
                want = (
                    at_ms,
                    tag_of.name,
                    None if none else d.value,
                    tag_of.unit,
                    quality(d.reason).value,
                    words(d.reason),
                )
                assert next(found) == want
    assert next(found, None) is None
    assert probes == 2 * sum(1 for _ in lived())


def test_no_mail_is_written_and_nothing_but_three_files(life: Path, tmp_path: Path) -> None:
    raw = exported(life, tmp_path / "raw")
    work = tmp_path / "work"
    work.mkdir()
    done = subprocess.run(
        [sys.executable, "-P", "-m", "daemon", "replay", str(raw / "plant.toml"), str(raw / "counts.csv.gz"),
         "--acts", str(raw / "acts.jsonl"), "--out", str(work / "out")],
        capture_output=True, text=True, cwd=work, env={**os.environ, "HOME": str(work)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert sorted(str(p.relative_to(work)) for p in work.rglob("*")) == [
        "out", "out/alarms.csv", "out/readings.parquet", "out/summary.json",
    ]  # fmt: skip


# ------------------------------------------------------------------ what does not fit together


def test_a_state_of_another_export_is_refused(life: Path, tmp_path: Path) -> None:
    one, two = exported(life, tmp_path / "one", 260), exported(life, tmp_path / "two", 640)
    with pytest.raises(ReplayError, match="state after group 500, but the recording begins with group 251"):
        replay(
            creamery(), one / "counts.csv.gz", tmp_path / "out", acts=one / "acts.jsonl", state=two / "state.txt",
            advance=advance_many,
        )  # fmt: skip


def test_an_export_over_an_earlier_one_leaves_no_state_of_it(life: Path, tmp_path: Path) -> None:
    exported(life, tmp_path / "raw", 260)
    assert (tmp_path / "raw" / "state.txt").exists()
    exported(life, tmp_path / "raw")
    assert not (tmp_path / "raw" / "state.txt").exists()


def test_where_no_state_is_kept_from_before_it_is_said(tmp_path: Path) -> None:
    at_ms = 1_790_000_000_000
    path = store(tmp_path / "w.db", every(at_ms, 10_000, [counted(cond(2900), 5, 1, 1)] * 20))
    said: list[str] = []
    with Reader(path) as reader:
        export_raw(reader, at_ms + 100_000, at_ms + 300_000, tmp_path / "late", tell=said.append)
        assert len(said) == 1 and "begins with nothing known" in said[0]
        export_raw(reader, at_ms, at_ms + 300_000, tmp_path / "all", tell=said.append)
        assert len(said) == 1


def test_another_plant_file_beside_acts_is_told_not_to_count(life: Path, tmp_path: Path) -> None:
    raw = exported(life, tmp_path / "raw")
    other = replace(creamery(), text=creamery().text.replace("3000 umho/cm", "2000 umho/cm"))
    said: list[str] = []
    replay(
        other, raw / "counts.csv.gz", tmp_path / "a", acts=raw / "acts.jsonl", advance=advance_many, tell=said.append
    )
    assert len(said) == 1 and "leave out --acts" in said[0]
    assert alarms(tmp_path / "a") == journal(life)
    replay(
        creamery(),
        raw / "counts.csv.gz",
        tmp_path / "b",
        acts=raw / "acts.jsonl",
        advance=advance_many,
        tell=said.append,
    )
    assert len(said) == 1


# ------------------------------------------------------------------ files that are broken


def test_a_file_that_was_cut_or_damaged_is_named(life: Path, tmp_path: Path) -> None:
    raw = exported(life, tmp_path / "raw")
    whole = (raw / "counts.csv.gz").read_bytes()
    bad = bytearray(whole)
    bad[len(bad) // 2] ^= 0xFF
    packed = gzip.compress(b"time,ai.b1_cond\n" + b"2026-11-25T06:00:00Z,1\n" * 5)
    kinds = {
        "cut": whole[: len(whole) // 2],
        "damaged": bytes(bad),
        "checksum": packed[:-8] + b"\0\0\0\0" + packed[-4:],
        "block": packed[:10] + b"\xff" * 8 + packed[18:],
        "plain": b"time,ai.b1_cond\n",
    }
    for name, body in kinds.items():
        path = tmp_path / f"{name}.csv.gz"
        path.write_bytes(body)
        with pytest.raises(ReplayError) as e:
            replay(creamery(), path, tmp_path / "out", advance=advance_many)
        assert str(path) in str(e.value), name
        assert "line" in str(e.value), name
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize(
    ("time", "said"),
    [
        ("1790000000", "found 1790000000, which may be seconds: give milliseconds"),
        ("99999999999999999999", "of a year from 1973 to 9999; found 99999999999999999999"),
        ("-1790000000000", "of a year from 1973 to 9999"),
        ("9" * 5000, "wants ISO 8601"),
        ("25.11.2026 06:00", "wants ISO 8601 like 2026-11-25T06:00:00Z"),
        ("", "wants ISO 8601"),
    ],
)
def test_a_time_that_is_none_is_named_with_what_is_wanted(tmp_path: Path, time: str, said: str) -> None:
    path = tmp_path / "counts.csv"
    path.write_text(f"time,ai.b1_cond\n2026-11-25T06:00:00Z,1\n{time},1\n", "utf-8")
    with pytest.raises(ReplayError) as e:
        replay(creamery(), path, tmp_path / "out", advance=advance_many)
    assert "counts.csv, line 3, column time: wants" in str(e.value)
    assert said in str(e.value)
    assert len(str(e.value)) < 300


def test_what_does_not_fit_in_memory_needs_no_room_where_the_program_was_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir("/proc")  # no folder can be made here
    with connected(tmp_path) as db:
        db.execute("create table t as select md5(range::varchar) as m from range(12_000_000)")
        spilled = sum(p.stat().st_size for p in tmp_path.rglob("*") if p.is_file())
        assert db.execute("select count(*) from t").fetchone() == (12_000_000,)
    assert spilled > 10_000_000
    assert list(tmp_path.iterdir()) == []


def test_a_boiler_alone_replays_from_a_spreadsheets_export(tmp_path: Path) -> None:
    """Times with a blank, whole numbers as 12.0, columns in another order, a byte order mark."""
    from config.load import loads

    rows = "".join(f"2026-11-25 06:{k:02d}:00,1,0,{cond(2900)}.0,{k}.0\r\n" for k in range(6))
    path = tmp_path / "counts.csv"
    path.write_text("\ufefftime,ai.b1_limit,ai.b1_blow,ai.b1_cond,ai.makeup\r\n" + rows, "utf-8", newline="")
    summary = replay(loads(BOILER), path, tmp_path / "out", advance=advance_many)
    assert (summary["groups"], summary["first"]) == (6, "2026-11-25T06:00:00.000Z")
    assert summary["meters"]["makeup"]["pulses"] == 5
