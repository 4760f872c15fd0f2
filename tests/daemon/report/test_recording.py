"""Recordings of raw counts: read, written, and refused with the place of what is wrong."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.load import loads
from config.model import Plant
from daemon.core.reasons import Reason
from daemon.core.scan import Act, Group, Scan
from daemon.report.carried import CarriedError, StartState, acts_of, read_acts, read_state, write_state
from daemon.report.recording import RecordingError, RecordingWriter, read_recording, time_text
from daemon.store.duck import connected

TEXT = """
[plant]
name = "Quillmarsh Creamery"
zone = "America/Chicago"
[[link]]
name = "panel"
kind = "modbus-tcp"
host = "127.0.0.1"
[[module]]
name = "ai"
link = "panel"
every = "10 s"
[module.channels]
b1_cond = { function = "input", address = 0, type = "u16", span = "0..65535 = 0..20 mA" }
b1_ma = { function = "input", address = 2, type = "f32" }
b1_blow = { function = "discrete", address = 0 }
[[module]]
name = "slow"
link = "panel"
unit = 2
every = "30 s"
[module.channels]
makeup = { function = "input", address = 0, type = "u64" }
gas = { function = "input", address = 4, type = "s32" }
"""
OTHER = TEXT.replace("b1_blow", "b1_valve").replace("gas", "oil")
PLANT: Plant = loads(TEXT).plant
START = 1_790_000_000_000
HEADER = "time,ai.b1_cond,ai.b1_ma,ai.b1_blow,slow.makeup,slow.gas"


def recorded(tmp_path: Path, *rows: str, header: str = HEADER, name: str = "raw.csv") -> list[Group]:
    path = tmp_path / name
    text = "\n".join([header, *rows]) + "\n"
    if name.endswith(".gz"):
        path.write_bytes(gzip.compress(text.encode()))
    else:
        path.write_text(text, encoding="utf-8")
    return list(read_recording(path, PLANT))


def refusal(tmp_path: Path, *rows: str, header: str = HEADER) -> str:
    with pytest.raises(RecordingError) as caught:
        recorded(tmp_path, *rows, header=header)
    return str(caught.value)


@pytest.mark.parametrize("name", ["raw.csv", "raw.csv.gz"])
def test_a_row_is_a_group(tmp_path: Path, name: str) -> None:
    rows = ("2026-11-25T06:00:00Z,13107,4.5,1,18446744073709551615,-5", "2026-11-25T00:00:10-06:00,13108,4.25,0,,")
    first, second = recorded(tmp_path, *rows, name=name)
    assert (first.number, first.elapsed_ms, first.plant, first.gap_ms, first.acts) == (1, 0, 1, 0, ())
    assert time_text(first.at_ms) == "2026-11-25T06:00:00.000Z"
    assert first.scans == (Scan(0, (13107, 4.5, 1), (0, 0, 0)), Scan(1, (2**64 - 1, -5), (0, 0)))
    assert (second.number, second.elapsed_ms, second.at_ms - first.at_ms) == (2, 10_000, 10_000)
    assert second.scans == (Scan(0, (13108, 4.25, 0), (0, 0, 0)),)


def test_a_time_without_offset_is_utc_and_milliseconds_will_do(tmp_path: Path) -> None:
    a, b = recorded(tmp_path, "2026-11-25 06:00:00.250,1,4.0,0,1,1", f"{START + 10**10},1,4.0,0,1,1")
    assert time_text(a.at_ms) == "2026-11-25T06:00:00.250Z"
    assert b.at_ms == START + 10**10


def test_an_empty_module_gave_no_answer_where_it_is_due_and_else_is_not_there(tmp_path: Path) -> None:
    groups = recorded(tmp_path, *(f"{START + k * 10_000},1,4.0,0,," for k in range(7)))
    there = [[s.module for s in g.scans] for g in groups]
    assert there == [[0, 1], [0], [0], [0, 1], [0], [0], [0, 1]]
    assert groups[0].scans[1] == Scan(1, (None, None), (Reason.NO_ANSWER, Reason.NO_ANSWER))


def test_a_row_a_little_early_or_late_keeps_the_rule(tmp_path: Path) -> None:
    times = (0, 10_020, 19_990, 30_015, 39_980)
    groups = recorded(tmp_path, *(f"{START + t},,,,," for t in times))
    assert [[s.module for s in g.scans] for g in groups] == [[0, 1], [0], [0], [0, 1], [0]]


def test_an_empty_cell_beside_counts_is_no_answer(tmp_path: Path) -> None:
    (group,) = recorded(tmp_path, f"{START},13107,,1,!not due,")
    assert group.scans == (Scan(0, (13107, None, 1), (0, Reason.NO_ANSWER, 0)),)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("!no answer", Reason.NO_ANSWER),
        ("!link down", Reason.LINK_DOWN),
        ("!bad answer", Reason.BAD_ANSWER),
        ("!not a number", Reason.NOT_A_NUMBER),
        ("!not polled", Reason.NOT_POLLED),
        ("!stopping", Reason.STOPPING),
        ("!exception 2", Reason.REFUSED_2),
        ("!Exception  11", Reason.REFUSED_11),
        ("!exception 77", Reason.REFUSED_OTHER),
        ("!exception other", Reason.REFUSED_OTHER),
    ],
)
def test_reasons(tmp_path: Path, text: str, fault: Reason) -> None:
    (group,) = recorded(tmp_path, f"{START},{text},4.0,0,1,1")
    assert (group.scans[0].counts[0], group.scans[0].faults[0]) == (None, fault)


def test_a_column_that_is_missing_gives_no_answer_and_a_module_without_columns_is_silent(tmp_path: Path) -> None:
    (group,) = recorded(tmp_path, f"{START},13107", header="time,ai.b1_cond")
    assert group.scans[0].faults == (0, Reason.NO_ANSWER, Reason.NO_ANSWER)
    assert group.scans[1].faults == (Reason.NO_ANSWER, Reason.NO_ANSWER)


@pytest.mark.parametrize(
    ("rows", "header", "said"),
    [
        (["2026-11-25,1"], "when,ai.b1_cond", "line 1: the first column wants to be \"time\"; found 'when'"),
        (
            ["2026-11-25,1"],
            "time,ai.B1_cond",
            "line 1, column 2: wants module.channel of the plant; found 'ai.B1_cond'",
        ),
        (["2026-11-25,1"], "time,ai.B1_cond", "did you mean ai.b1_cond?"),
        (["2026-11-25,1,1"], "time,ai.b1_cond,ai.b1_cond", "column 'ai.b1_cond' stands there twice"),
        (["2026-11-25,1,1"], "time,ai.b1_cond", "line 2: wants 2 cells as in the header; found 3"),
        (["2026-11-25,65536"], "time,ai.b1_cond", "line 2, column ai.b1_cond: wants a whole number 0 to 65535 (u16)"),
        (["2026-11-25,12.5"], "time,ai.b1_cond", "found '12.5'"),
        (["2026-11-25,nan"], "time,ai.b1_ma", "wants a finite number (f32)"),
        (["2026-11-25,2"], "time,ai.b1_blow", "wants a whole number 0 to 1 (bit); found '2'"),
        (["2026-11-25,!gone"], "time,ai.b1_cond", "wants one of !no answer, !link down"),
        (["noon,1"], "time,ai.b1_cond", "line 2, column time: wants ISO 8601 like 2026-11-25T06:00:00Z"),
        (["2026-11-25,1", '2026-11-26,"1'], "time,ai.b1_cond", "line 3: cannot be read as CSV"),
        (["2026-11-25,!not due,1,1,1,1"], HEADER, "stands beside counts of its module"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(tmp_path: Path, rows: list[str], header: str, said: str) -> None:
    text = refusal(tmp_path, *rows, header=header)
    assert said in text
    assert "raw.csv" in text


def test_a_time_that_goes_back_is_refused_with_the_row(tmp_path: Path) -> None:
    text = refusal(tmp_path, f"{START},1,4.0,0,1,1", f"{START + 10_000},1,4.0,0,1,1", f"{START + 9_999},1,4.0,0,1,1")
    assert "line 4 (row 3), column time" in text
    assert time_text(START + 9_999) in text


def test_groups_come_before_a_later_fault_is_met(tmp_path: Path) -> None:
    path = tmp_path / "raw.csv"
    path.write_text(f"{HEADER}\n{START},1,4.0,0,1,1\nnonsense\n")
    groups = read_recording(path, PLANT)
    assert next(groups).number == 1
    with pytest.raises(RecordingError, match="line 3"):
        next(groups)


def test_a_broken_or_empty_file_is_refused(tmp_path: Path) -> None:
    bad = tmp_path / "raw.csv.gz"
    bad.write_bytes(b"this is no gzip")
    with pytest.raises(RecordingError, match="cannot be read as CSV"):
        list(read_recording(bad, PLANT))
    cut = tmp_path / "cut.csv.gz"
    cut.write_bytes(gzip.compress(b"time,ai.b1_cond\n" + b"2026-11-25,1\n" * 5000)[:-30])
    with pytest.raises(RecordingError, match="cannot be read as CSV"):
        list(read_recording(cut, PLANT))
    empty = tmp_path / "empty.csv"
    empty.touch()
    with pytest.raises(RecordingError, match="the file is empty"):
        list(read_recording(empty, PLANT))
    fake = tmp_path / "raw.parquet"
    fake.write_bytes(b"no parquet")
    with pytest.raises(RecordingError, match="cannot be read as Parquet"):
        list(read_recording(fake, PLANT))


def test_parquet_reads_as_the_csv_does(tmp_path: Path) -> None:
    path = tmp_path / "raw.parquet"
    with connected() as db:
        db.execute(
            """copy (select * from (values
                 (timestamptz '2026-11-25 06:00:00+00', 13107, 4.1::float, true,
                  18446744073709551615::ubigint, '!no answer'),
                 (timestamptz '2026-11-25 06:00:10.5+00', 13108, 0.1::float, false, null, null))
               t("time", "ai.b1_cond", "ai.b1_ma", "ai.b1_blow", "slow.makeup", "slow.gas")) to '"""
            + str(path)
            + "' (format parquet)"
        )
    first, second = read_recording(path, PLANT)
    assert first.scans[0].counts == (13107, 4.099999904632568, 1)  # the nearest float32, exactly
    assert first.scans[1] == Scan(1, (2**64 - 1, None), (0, Reason.NO_ANSWER))
    assert time_text(second.at_ms) == "2026-11-25T06:00:10.500Z"
    assert second.scans == (Scan(0, (13108, 0.10000000149011612, 0), (0, 0, 0)),)


FAULTS = st.sampled_from([1, 2, 3, 4, 5, 6, *range(17, 29)])


@st.composite
def scans(draw: st.DrawFn) -> tuple[Scan, ...]:
    out = []
    kinds: list[list[st.SearchStrategy[float]]] = [
        [st.integers(0, 65535), st.floats(width=32, allow_nan=False, allow_infinity=False), st.integers(0, 1)],
        [st.integers(0, 2**64 - 1), st.integers(-(2**31), 2**31 - 1)],
    ]
    for module, channels in enumerate(kinds):
        if draw(st.booleans()):
            cells = [draw(st.tuples(c, st.just(0)) | st.tuples(st.none(), FAULTS)) for c in channels]
            out.append(Scan(module, tuple(c for c, _ in cells), tuple(f for _, f in cells)))
    return tuple(out)


ACTS = st.builds(
    Act,
    st.integers(1, 10**9),
    st.sampled_from(["ack", "note"]),
    st.text(max_size=10),
    st.integers(0, 2**45),
    st.dictionaries(st.text(max_size=5), st.integers() | st.text(max_size=9) | st.none(), max_size=3),
)


@st.composite
def recordings(draw: st.DrawFn) -> list[Group]:
    """Groups as the store keeps them: now and then a break, a clock step (also back) or a new plant version."""
    number, at, elapsed, segment, plant = draw(st.integers(1, 10**6)), START, draw(st.integers(0, 10**9)), 3, 1
    out = []
    for _ in range(draw(st.integers(1, 12))):
        gap = 0
        match draw(st.sampled_from(["", "", "", "gap", "clock", "plant"])):
            case "gap":
                gap = draw(st.integers(1, 10**7))
                segment, elapsed, at = segment + 1, elapsed + gap, at + gap
            case "clock":
                segment, at = segment + 1, at + draw(st.integers(-(10**7), 10**7))
            case "plant":
                plant = 3 - plant
        acts = tuple(draw(st.lists(ACTS, max_size=2))) if draw(st.booleans()) else ()
        out.append(Group(number, at, elapsed, segment, plant, draw(scans()), acts, gap))
        step = draw(st.sampled_from([10_000, 10_000, 9_990, 30_000, 1]))
        number, at, elapsed = number + 1, at + step, elapsed + step
    return out


@given(recordings(), st.booleans())
def test_what_is_written_reads_back_the_same(groups: list[Group], packed: bool) -> None:
    plants = {1: PLANT, 2: loads(OTHER).plant}
    rows, acts = io.StringIO(newline=""), io.StringIO()
    writer = RecordingWriter(rows, acts, plants, {1: TEXT, 2: OTHER})
    for group in groups:
        writer.add(group)
    path = SHARED / ("raw.csv.gz" if packed else "raw.csv")
    body = rows.getvalue().encode()
    path.write_bytes(gzip.compress(body, 1) if packed else body)
    carried = acts_of(acts.getvalue().split("\n"), "acts.jsonl")
    assert list(read_recording(path, PLANT, carried)) == groups


SHARED = Path()


@pytest.fixture(autouse=True, scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> None:
    """One folder for the property test: its examples overwrite their file."""
    global SHARED
    SHARED = tmp_path_factory.mktemp("recordings")


def test_a_state_reads_back_whole_or_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "start.state"
    state = StartState(4, 2, 811, bytes(range(256)))
    write_state(path, state)
    assert read_state(path) == state
    assert [p.name for p in tmp_path.iterdir()] == ["start.state"]
    text = path.read_text()
    for broken in (text[:200], text.replace('"bytes":256', '"bytes":255'), "nothing", ""):
        path.write_text(broken)
        with pytest.raises(CarriedError, match=r"start\.state: wants a state file"):
            read_state(path)


@pytest.mark.parametrize("line", ["{", "[]", '{"row": 1}', '{"row": 1, "act": 1}', '{"plant": 1, "text": "x = 1"}'])
def test_an_acts_file_that_is_wrong_names_the_line(tmp_path: Path, line: str) -> None:
    path = tmp_path / "acts.jsonl"
    path.write_text("\n" + line + "\n")
    with pytest.raises(CarriedError, match=r"acts\.jsonl, line 2: "):
        read_acts(path)
