"""`explain` as people type it: times, exit codes, JSON, what is said when something is not there."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import apsw
import pytest

from daemon.app.explaining import ExplainRefused, explain
from daemon.core.outcome import Derived
from daemon.store.packing import pack_derived
from daemon.store.reader import Reader
from tests.support.creamery_store import creamery_store
from tests.support.recordings import groups
from tests.support.small_store import cond, counted, every, store

LAST_MS = groups(3.5)[-1].at_ms  # 10:30 on the plant's clock


def waterside(*words: str, store: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-P", "-m", "daemon", "explain", *words, "--store", str(store or creamery_store())]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


@pytest.mark.parametrize(
    ("time", "at_ms"),
    [
        ("now", LAST_MS),
        ("-20m", LAST_MS - 20 * 60_000),
        ("-2h", LAST_MS - 2 * 3_600_000),
        ("09:15", LAST_MS - 75 * 60_000),
        ("9:15:25", LAST_MS - 75 * 60_000 + 20_000),  # the poll before
        ("2026-11-04 08:00", LAST_MS - 150 * 60_000),
        ("2026-11-04T14:00:00+00:00", LAST_MS - 150 * 60_000),
    ],
)
def test_a_time_is_read_on_the_plants_clock(time: str, at_ms: int) -> None:
    assert explain(creamery_store(), "B1.probe", time).facts["at_ms"] == at_ms


@pytest.mark.parametrize(
    ("what", "time", "code", "says"),
    [
        ("B1.prob", None, 2, "Did you mean B1.probe"),
        ("B1.probe", "yesterday", 2, "A time wants"),
        ("B1.probe", "-9h", 1, "The store holds 2026-11-04 07:00:00 CST to 2026-11-04 10:30:00 CST"),
        ("B1.probe", "11:30", 1, "Nothing is stored for 2026-11-03 11:30:00 CST"),  # the last time it was half past 11
        ("99", None, 2, "There is no alarm 99"),
        ("1", "09:00", 2, "leave out the time"),
    ],
)
def test_what_cannot_be_explained_says_what_is_wanted(what: str, time: str | None, code: int, says: str) -> None:
    with pytest.raises(ExplainRefused) as refused:
        explain(creamery_store(), what, time)
    assert refused.value.code == code and says in str(refused.value)


def test_as_text_and_as_json_with_a_time_that_looks_like_an_option() -> None:
    text, data = waterside("B2.conductivity", "-30m"), waterside("B2.conductivity", "-30m", "--json")
    assert (text.returncode, data.returncode) == (0, 0), text.stderr + data.stderr
    found = json.loads(data.stdout)
    assert f"exactly {found['value']!r} uS/cm, as stored" in text.stdout
    assert [s["title"] for s in found["steps"]][:4] == [
        "As read",
        "Current",
        "Verdict on the loop",
        "Value by the transmitter's range",
    ]
    assert found["quality"] == "good" and found["differs"] == []
    assert max(map(len, text.stdout.splitlines())) <= 100


def test_exit_codes_of_the_command(tmp_path: Path) -> None:
    assert waterside("B1.nothing").returncode == 2
    assert waterside("B1.probe", "2020-01-01").returncode == 1
    assert "Example: waterside explain" in waterside("-h").stdout
    assert waterside("B1.probe", store=tmp_path / "none.db").returncode == 2
    assert waterside("1").returncode == 0
    path = tmp_path / "w.db"
    shutil.copy(creamery_store(), path)
    with Reader(path) as reader:
        stored = next(reader.groups_before(len(groups(3.5))))
    wrong = [Derived(d.tag, d.value + 1, d.reason) for d in stored.derived]
    db = apsw.Connection(str(path))
    db.execute("UPDATE scan_group SET derived = ? WHERE number = ?", (pack_derived(wrong), stored.group.number))
    db.close()
    done = waterside("B2.conductivity", store=path)  # a finding: the polls give another number than is stored
    assert done.returncode == 1 and "DIFFERS" in done.stdout


def test_an_empty_store_says_so(tmp_path: Path) -> None:
    path = tmp_path / "w.db"
    shutil.copy(creamery_store(), path)
    db = apsw.Connection(str(path))
    db.execute("DELETE FROM scan_group")
    db.close()
    for time in (None, "now", "-2h"):
        with pytest.raises(ExplainRefused, match="holds nothing yet") as refused:
            explain(path, "B1.probe", time)
        assert refused.value.code == 1


def test_the_hour_that_the_clock_shows_twice_is_the_first_unless_said(tmp_path: Path) -> None:
    """Summer time ended in Chicago on 2026-11-01 at 07:00 UTC, when the clock went from 02:00 back to 01:00."""
    first_ms = 1_793_512_800_000  # 06:00 UTC, 01:00 CDT
    scans = [counted(cond(2000 + k), 5, 0, 1) for k in range(13)]
    path = store(tmp_path / "w.db", every(first_ms, 600_000, scans))
    told = explain(path, "B1.probe", "2026-11-01 01:30")
    assert told.facts["group"] == 4
    assert any("showed that time twice" in r and "'2026-11-01 01:30-06:00'" in r for r in told.remarks)
    assert explain(path, "B1.probe", "01:30").facts["group"] == 4
    second = explain(path, "B1.probe", "2026-11-01 01:30-06:00")
    assert second.facts["group"] == 10 and second.remarks == ()
    assert explain(path, "B1.probe", "2026-11-01 02:00").remarks == ()
