"""Reading beside a running service and from a stopped one, in slices, by time, and without any right to write."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import apsw
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.load import PlantFileError
from daemon.store import rows
from daemon.store.errors import StoreBroken, StoreUnknown
from daemon.store.reader import Reader
from daemon.store.writer import Writer
from tests.support.stores import PLANT, START_MS, TEXT, Expected, Made, begin, commit, made


async def stepped(path: Path) -> list[Made]:
    """Forty groups: the clock is set back 15 s after 20, and forward 100 s after 30; numbers skip a gap at 35."""
    writer = await begin(path)
    out = []
    for number in range(1, 41):
        if number in (21, 31):
            shift = {21: -15_000, 31: 100_000}[number]
            await writer.open_segment("run 1", number * 1000, START_MS + number * 1000 + shift, "clock set")
        segment, shift = (1, 0) if number < 21 else (2, -15_000) if number < 31 else (3, 100_000)
        if number == 35:
            continue
        one = made(number, segment=segment, gap_ms=1000 if number == 36 else 0)
        one = replace(one, group=replace(one.group, at_ms=one.group.at_ms + shift))
        await commit(writer, one)
        out.append(one)
    await writer.aclose()
    return out


async def test_groups_between_two_times_are_found_across_steps_of_the_clock(tmp_path: Path) -> None:
    groups = [m.group for m in await stepped(tmp_path / "a.db")]
    with Reader(tmp_path / "a.db", slice_rows=3) as reader:
        assert [s.first_group for s in reader.clock_segments()] == [1, 21, 31]

        @given(st.integers(-5_000, 150_000), st.integers(-5_000, 150_000))
        def every_interval(a: int, b: int) -> None:
            found = [g.group for g in reader.groups(START_MS + a, START_MS + b)]
            assert found == [g for g in groups if START_MS + a <= g.at_ms < START_MS + b]

        every_interval()
        assert [g.group for g in reader.groups()] == groups
        assert [g.group for g in reader.groups(None, START_MS + 3000)] == [
            g for g in groups if g.at_ms < START_MS + 3000
        ]
        assert [g.group for g in reader.groups_after(33)] == [g for g in groups if g.number > 33]


async def test_groups_are_found_by_number_backwards_and_as_they_stood_at_a_time(tmp_path: Path) -> None:
    groups = [m.group for m in await stepped(tmp_path / "a.db")]
    with Reader(tmp_path / "a.db", slice_rows=7) as reader:
        assert reader.first_number() == 1
        assert [g for n in range(42) if (g := reader.group(n))] == list(reader.groups_after(0))
        assert reader.group(35) is None
        for n in (0, 1, 20, 35, 40, 99):
            assert [g.group for g in reader.groups_before(n)] == [g for g in reversed(groups) if g.number <= n]

        for a in range(-1_000, 145_000, 500):
            in_each = [[g.number for g in groups if g.segment == s and g.at_ms <= START_MS + a] for s in (3, 2, 1)]
            assert reader.last_at(START_MS + a) == tuple(found[-1] for found in in_each if found)
    writer = await begin(tmp_path / "empty.db")
    await writer.aclose()
    with Reader(tmp_path / "empty.db") as reader:
        assert reader.first_number() is None and reader.last_at(START_MS) == ()
        assert list(reader.groups_before(9)) == []


async def test_the_journal_of_one_raise_is_found_by_its_number(tmp_path: Path) -> None:
    every = [e for m in await stepped(tmp_path / "a.db") for e in m.outcome.journal]
    with Reader(tmp_path / "a.db") as reader:
        for number in {e.occurrence for e in every} | {0, 999}:
            assert reader.occurrence(number) == tuple(e for e in every if e.occurrence == number)


async def test_records_come_by_date_and_end_before_the_second_time(tmp_path: Path) -> None:
    all_made = await stepped(tmp_path / "a.db")
    entries = sorted((e for m in all_made for e in m.outcome.journal), key=lambda e: e.at_ms)
    with Reader(tmp_path / "a.db", slice_rows=2) as reader:
        for low, high in ((0, 2**62), (entries[2].at_ms, entries[5].at_ms), (entries[3].at_ms + 1, entries[3].at_ms)):
            assert list(reader.journal(low, high)) == [e for e in entries if low <= e.at_ms < high]
        blows = [b for m in all_made for b in m.outcome.blows]
        assert list(reader.blows(blows[1].start_ms, blows[2].start_ms)) == [blows[1]]


async def test_a_reader_beside_a_running_writer_sees_whole_groups_only(tmp_path: Path) -> None:
    path, expected = tmp_path / "a.db", Expected()
    writer = await begin(path)
    with Reader(path, slice_rows=5) as reader:
        assert reader.running
        assert reader.last() is None
        seen, stream = 0, None
        for number in range(1, 61):
            expected.made.append(made(number))
            await commit(writer, expected.made[-1])
            last = reader.last()
            assert last is not None
            assert last.number == number
            if number == 10:
                stream = reader.groups()
            if stream and number > 10 and number % 2:
                one, seen = next(stream), seen + 1
                assert one.group == made(seen).group
                assert one.journal == made(seen).outcome.journal
        assert stream is not None
        assert [g.group.number for g in stream] == list(range(seen + 1, 61))
    await writer.aclose()
    expected.check(path)


async def test_a_half_read_export_does_not_keep_the_log_from_being_folded_in(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    await commit(writer, made(1))
    await commit(writer, made(2))
    with Reader(path, slice_rows=1) as reader:
        stream, journal = reader.groups(), reader.journal()
        next(stream)
        next(journal)
        await writer._db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)  # BusyError were a reader in the way
        assert path.with_name("a.db-wal").stat().st_size == 0
        assert next(stream).group.number == 2
    await writer.aclose()


async def test_a_stopped_store_is_read_and_nothing_is_left_that_keeps_a_service_from_it(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    await commit(writer, made(1))
    await writer.aclose()
    assert {p.name for p in tmp_path.iterdir()} == {"a.db", "a.db.lock"}
    Expected([made(1)]).check(path)
    with Reader(path) as reader:
        assert not reader.running
        writer = await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
        await commit(writer, made(2))
        assert [g.group.number for g in reader.groups()] == [1, 2]
        assert reader.running
        await writer.aclose()
        assert [g.group.number for g in reader.groups()] == [1, 2]
    Expected([made(1), made(2)]).check(path)


STRANGER = """
import os, sys
from daemon.store.reader import Reader
from daemon.store.errors import StoreError
import config.load
os.setgroups([]); os.setgid(65534); os.setuid(65534)
try:
    with Reader(sys.argv[1]) as reader:
        print(reader._as_it_lies, [g.group.number for g in reader.groups()], reader.integrity(), flush=True)
        if len(sys.argv) > 2:
            sys.stdin.readline()
            print([g.group.number for g in reader.groups()], reader._as_it_lies, flush=True)
except StoreError as e:
    print(type(e).__name__, e, flush=True)
"""


def stranger(path: Path, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-P", "-c", STRANGER, str(path), *more],
        env={"PYTHONPATH": str(Path.cwd())},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become a user who may not write here")
async def test_someone_who_may_only_read_reads_a_stopped_store_and_follows_when_it_starts() -> None:
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        path = Path(folder) / "a.db"
        writer = await begin(path)
        await commit(writer, made(1))
        await writer.aclose()
        with stranger(path) as child:
            assert child.stdout
            assert child.stdout.readline() == "True [1] ()\n"
        with stranger(path, "wait") as child:
            assert child.stdin
            assert child.stdout
            assert child.stdout.readline() == "True [1] ()\n"
            writer = await Writer.open(path, owner="Quillmarsh Creamery", reserve_bytes=0)
            await commit(writer, made(2))
            child.stdin.write("\n")
            child.stdin.close()
            assert child.stdout.read() == "[1, 2] False\n"
        await writer.aclose()
        for name in ("a.db-wal", "a.db-shm"):
            assert not (Path(folder) / name).exists()


@pytest.mark.parametrize("name", ["nowhere.db", "."])
def test_no_store_is_said_so(tmp_path: Path, name: str) -> None:
    with pytest.raises(StoreUnknown, match="There is no store at"):
        Reader(tmp_path / name)
    assert list(tmp_path.iterdir()) == []


async def test_an_odd_file_name_is_no_hindrance(tmp_path: Path) -> None:
    path = tmp_path / "a?b#c%20d é.db"
    writer = await begin(path)
    await commit(writer, made(1))
    await writer.aclose()
    Expected([made(1)]).check(path)


async def test_counts_are_read_though_the_stored_plant_file_is_refused_today(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    await commit(writer, made(1))
    await writer.aclose()

    def stricter(text: str, file: str = "", *, rules: bool = True) -> None:
        raise PlantFileError([])

    monkeypatch.setattr(rows, "loads", stricter)  # a later program's checks
    with Reader(path) as reader:
        assert [g.group for g in reader.groups()] == [made(1).group]
        with pytest.raises(StoreBroken, match="plant version 1"):
            reader.plant(1)


async def test_each_group_is_read_by_the_plant_of_its_time(tmp_path: Path) -> None:
    import hashlib

    from config.load import loads

    path, later = tmp_path / "a.db", TEXT.replace('type = "f32"', 'type = "u32"')
    writer = await begin(path)
    await commit(writer, made(1))
    version = await writer.add_plant_version(later, hashlib.sha256(later.encode()).hexdigest(), START_MS)
    one = made(2, version=version)
    scan = one.group.scans[0]
    counts = (*scan.counts[:5], 4_000_000_000, *scan.counts[6:])
    one = replace(one, group=replace(one.group, scans=(replace(scan, counts=counts), one.group.scans[1])))
    await commit(writer, one, loads(later).plant)
    await writer.aclose()
    Expected([made(1), one]).check(path)
    with Reader(path) as reader:
        assert reader.plant(1) == PLANT
        assert reader.plant(2) == loads(later).plant
        with pytest.raises(StoreBroken, match="plant version 3"):
            reader.plant(3)


async def test_a_group_that_was_damaged_is_named(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    writer = await begin(path)
    await commit(writer, made(1))
    await writer.aclose()
    db = apsw.Connection(str(path))
    db.execute("UPDATE scan_group SET body = x'00ff'")
    db.close()
    with Reader(path) as reader, pytest.raises(StoreBroken, match="Group 1 cannot be read back"):
        list(reader.groups())
