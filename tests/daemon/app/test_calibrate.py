"""`waterside calibrate` against a running service, by options and by the talk; the record, the factor, the history."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.app.calibrating import Wishes, calibrate, moment_ms
from daemon.app.calibration_talk import NotDone
from daemon.core.outcome import Calibration
from daemon.core.tags import derived_tags
from daemon.store.reader import Reader
from tests.support.living_peer import LivingPeer
from tests.support.plants import one_boiler
from tests.support.rawtext import RawText
from tests.support.service import Running, running

RAW = 'signal = "live"\ncalibrated_at = "log"\n'
GRAB = ("--cooled", "--compensated", "--not-neutralised", "--no-display", "none on this transmitter")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Running, Path]]:
    """A service on a boiler with a raw transmitter, for all tests of this file."""
    folder = tmp_path_factory.mktemp("calibrate")
    with LivingPeer(5) as peer:
        text = one_boiler(peer.tap.port, "200 ms").replace('signal = "live"\n', RAW)
        text = text.replace('arrangement = "continuous"', 'arrangement = "continuous", flush = "0 s"')
        (folder / "plant.toml").write_text(text)
        with running(folder / "plant.toml", folder / "w.db") as service:
            service.wait_groups(3)
            yield service, folder / "w.db"
            assert service.end() == 0


def waterside(store: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-P", "-m", "daemon", "calibrate", *words, "--store", str(store)]
    return subprocess.run(command, input="", capture_output=True, text=True, timeout=60)


def records(store: Path) -> list[Calibration]:
    with Reader(store) as reader:
        return list(reader.calibrations())


def representative(store: Path, from_ms: int, to_ms: int) -> list[float]:
    with Reader(store) as reader:
        last = reader.last()
        assert last is not None
        at = [t.name for t in derived_tags(reader.plant(last.plant))].index("B1.conductivity")
        return [d.value for g in reader.groups(from_ms, to_ms) for d in g.derived if d.tag == at]


def test_a_handheld_beside_the_coming_reading_corrects_from_there_on(house: tuple[Running, Path]) -> None:
    service, store = house
    done = waterside(store, "B1", "--handheld", "3300", *GRAB, "--by", "J. Ortiz", "--instrument", "handheld 3")
    assert done.returncode == 0, done.stderr
    assert "Waiting for the next representative reading of B1" in done.stdout
    record = records(store)[-1]
    assert f"Recorded as act {record.act}, by J. Ortiz" in done.stdout
    assert record.body["gain"] == pytest.approx(3300 / record.body["probe"])
    assert (record.body["by"], record.body["instrument"]) == ("J. Ortiz", "handheld 3")
    assert record.body["grab"]["cooled"] is True
    service.wait_groups(3)
    before = representative(store, record.from_ms - 5000, record.from_ms)
    after = representative(store, record.from_ms, record.from_ms + 5000)
    # the peer stands at 2900 or 3600, within 3: corrected values are off both by the gain
    assert all(min(abs(v - 2900), abs(v - 3600)) < 4 for v in before)
    assert all(min(abs(v / record.body["gain"] - 2900), abs(v / record.body["gain"] - 3600)) < 4 for v in after)
    shown = waterside(store, "B1", "--undo", str(record.act), "--reason", "wrong bottle", "--by", "J. Ortiz")
    assert "no correction" in shown.stdout
    service.wait_groups(2)
    assert records(store)[-1].kind == "undone"
    assert min(abs(representative(store, records(store)[-1].from_ms, 1 << 60)[-1] - v) for v in (2900, 3600)) < 4


def test_a_grab_of_the_past_is_paired_with_what_stood_then(house: tuple[Running, Path]) -> None:
    _, store = house
    with Reader(store) as reader:
        last = reader.last()
    assert last is not None
    from datetime import UTC, datetime

    at = last.at_ms - 2000
    when = datetime.fromtimestamp(at / 1000, UTC).isoformat()
    done = waterside(store, "B1", "--handheld", "3000", *GRAB, "--at", when, "--by", "J. Ortiz", "--override", "a test")
    assert done.returncode == 0, done.stderr
    assert "within 2 min of the grab" in " ".join(done.stdout.split())
    record = records(store)[-1]
    stood = representative(store, at - 120_000, record.from_ms)
    assert min(stood) <= record.body["reading"] <= max(stood)
    waterside(store, "B1", "--undo", str(record.act), "--by", "J. Ortiz")


def test_what_is_missing_is_said_at_once_and_nothing_is_recorded(house: tuple[Running, Path]) -> None:
    _, store = house
    n = len(records(store))
    done = waterside(store, "B1", "--handheld", "3000", "--by", "Kim")
    assert done.returncode == 2
    for option in ("--cooled", "--compensated", "--neutralised", "--display"):
        assert option in done.stderr
    for words, text, code in (
        (("B9", "--handheld", "3000"), "there are: B1", 2),
        (("B1",), "Say what was compared", 2),
        (("B1", "--handheld", "1", "--zero"), "are two", 2),
        (("B1", "--handheld", "3000", "--not-cooled", *GRAB[1:]), "flashes at this pressure", 1),
        (("B1", "--handheld", "3000", *GRAB[:2], "--neutralised", *GRAB[3:]), "never mixed", 1),
        (("B1", "--handheld", "3000", *GRAB, "--at", "yesterday"), "--at: A time wants", 2),
        (("B1", "--handheld", "3000", *GRAB, "--at", "2020-01-01 10:00"), "no representative reading stands", 1),
        (("B1", "--handheld", "2000", "--unit", "ppm", *GRAB), "--meter-factor", 2),
        (("B1", "--offset", "20", *GRAB[3:]), "a reason", 1),
        (("B1", "--standard", "55", "--temperature", "25 °C", *GRAB[3:]), "no table is near", 1),
        (("B1", "--undo", "9999"), "act 9999 can be withdrawn", 1),
    ):
        done = waterside(store, *words, "--by", "Kim")
        assert text in " ".join(done.stderr.split()), done.stderr
        assert done.returncode == code, (words, done.stderr)
    assert len(records(store)) == n


def test_the_talk_asks_for_everything_and_an_override_stays_on_record(house: tuple[Running, Path]) -> None:
    _, store = house
    asked: list[str] = []
    said: list[str] = []
    replies = iter(("", "y", "y", "perhaps", "n", "about 1000", "1000", "display is in another range", "meter 3", ""))

    def reply(question: str) -> str:
        asked.append(question)
        return next(replies)

    assert calibrate(Wishes("B1", handheld=3300.0), store, "J. Ortiz", reply, said.append) == 0
    text = " ".join(" ".join(said).split())
    for part in ("Unit of the handheld", "cooled", "compensate", "neutralised", "wall instrument", "Override", "meter"):
        assert any(part in q for q in asked), part
    assert sum("neutralised" in q for q in asked) == 2  # "perhaps" is no answer
    assert "wants a number; found 'about 1000'" in text
    assert "% of span" in text
    record = records(store)[-1]
    assert record.body["override"] == "display is in another range"
    assert record.body["wall"]["what"] in ("range", "loop", "damping")
    assert abs(record.body["wall"]["off_percent"]) > 1
    assert "overridden: display is in another range" in record.body["text"]
    calibrate(Wishes("B1", undo=record.act), store, "J. Ortiz", None, said.append)


def test_declining_the_override_records_nothing(house: tuple[Running, Path]) -> None:
    _, store = house
    n = len(records(store))
    replies = iter(("", "y", "y", "n", "100", ""))
    with pytest.raises(NotDone, match="Nothing was recorded"):
        calibrate(Wishes("B1", handheld=3300.0), store, "Kim", lambda q: next(replies), lambda line: None)
    assert len(records(store)) == n


def test_at_the_wall_as_found_and_as_left_are_kept_and_nothing_is_corrected(house: tuple[Running, Path]) -> None:
    service, store = house
    words = ("B1", "--handheld", "3000", *GRAB[:3], "--at-wall", "--as-found", "2900", "--as-left", "3000")
    done = waterside(store, *words, "--by", "J. Ortiz", "--remark", "spring visit")
    assert done.returncode == 0, done.stderr
    record = records(store)[-1]
    assert (record.kind, record.body["as_found"], record.body["as_left"]) == ("wall instrument", 2900.0, 3000.0)
    # what the log read at the grab is on record too
    assert 2890 < record.body["reading"] < 3610  # the peer stands at 2900 or 3600
    assert "The log read" in done.stdout
    assert "the log read" in record.body["text"]
    assert record.body["error_percent"] == pytest.approx(-3.333, abs=1e-3)
    assert record.body["force_act"] == 0
    assert record.body["remark"] == "spring visit"
    service.wait_groups(2)
    assert min(abs(representative(store, record.from_ms, 1 << 60)[-1] - v) for v in (2900, 3600)) < 4


def test_a_standard_solution_and_the_probe_dry_in_air(house: tuple[Running, Path]) -> None:
    _, store = house
    standard = ("B1", "--standard", "2900", "--temperature", "20 °C", "--in-log", *GRAB[3:])
    done = waterside(store, *standard, "--by", "J. Ortiz", "--override", "the peer is no bottle")
    assert done.returncode == 0, done.stderr
    text = " ".join(done.stdout.split())
    assert "is 2621.6 uS/cm at 20 °C" in text  # 2900 × 1273.03 / 1408.23 (CO-011, CO-013)
    assert "it does not prove a hot probe that nobody compensates" in text
    record = records(store)[-1]
    assert record.body["gain"] == pytest.approx(2900 / record.body["probe"])
    done = waterside(store, "B1", "--zero", *GRAB[3:], "--by", "J. Ortiz")
    assert done.returncode == 1
    assert "more than 2 % of span" in done.stderr
    waterside(store, "B1", "--undo", str(record.act), "--by", "J. Ortiz")


def test_history_lists_everything_and_says_when_points_are_too_few(house: tuple[Running, Path]) -> None:
    _, store = house
    kept = records(store)
    done = waterside(store, "B1", "--history")
    assert done.returncode == 0, done.stderr
    for record in kept:
        assert f"  {record.act}  " in done.stdout
    assert "withdrawn" in done.stdout
    found = json.loads(waterside(store, "B1", "--history", "--json").stdout)
    assert [r["act"] for r in found["records"]] == [r.act for r in kept]
    assert found["in_force"]["act"] == 0
    assert found["drift"]["cleaning"] == "unknown"
    assert "no interval in the plant file" in done.stdout


def test_a_time_of_day_is_the_last_one_before_the_newest_reading() -> None:
    from zoneinfo import ZoneInfo

    zone = ZoneInfo("America/Chicago")
    newest = moment_ms("2026-11-04 12:00", zone, 0)
    assert newest - moment_ms("11:30", zone, newest) == 30 * 60_000
    assert newest - moment_ms("12:30", zone, newest) == 23 * 3_600_000 + 30 * 60_000
    assert newest - moment_ms("-1h", zone, newest) == 3_600_000


def test_a_comparison_that_is_to_correct_nothing_is_on_record_all_the_same(house: tuple[Running, Path]) -> None:
    _, store = house
    words = ("B1", "--handheld", "3300", *GRAB, "--keep-factor", "--override", "the peer leaps", "--in-log")
    done = waterside(store, *words, "--by", "J. Ortiz")
    assert done.returncode == 0, done.stderr
    assert "and nothing corrected" in " ".join(done.stdout.split())
    record = records(store)[-1]
    assert (record.body["corrected"], record.body["force_act"]) == (False, 0)
    waterside(store, "B1", "--undo", str(record.act), "--by", "J. Ortiz")


def test_exports_carry_every_record(house: tuple[Running, Path], tmp_path: Path) -> None:
    import csv

    import openpyxl

    _, store = house
    kept = records(store)
    for form in ("csv", "xlsx"):
        command = [
            sys.executable,
            "-P",
            "-m",
            "daemon",
            "export",
            "--from=-1h",
            "--format",
            form,
            "--out",
            str(tmp_path),
        ]
        done = subprocess.run([*command, "--store", str(store)], capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr
    with (tmp_path / "calibrations.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [int(r["act"]) for r in rows] == [r.act for r in kept]
    assert {r["where"] for r in rows} == {"log", "undone", "wall instrument"}
    wall = next(r for r in rows if r["where"] == "wall instrument")
    assert (wall["boiler"], wall["wall as found"], wall["wall as left"], wall["unit"]) == (
        "B1",
        "2900",
        "3000",
        "umho/cm",
    )
    assert (wall["by"], wall["remark"], wall["gain in force"]) == ("J. Ortiz", "spring visit", "1")
    undone = next(r for r in rows if r["where"] == "undone")
    assert int(undone["withdraws act"]) < int(undone["act"])
    (book,) = tmp_path.glob("*.xlsx")
    page = openpyxl.load_workbook(book)["Calibrations"]
    assert page.max_row == len(kept) + 1


HANDHELD = """[plant]
name = "handheld 3"
zone = "UTC"
[[link]]
name = "usb"
kind = "text"
device = "DEVICE"
parity = "none"
[[module]]
name = "handheld3"
link = "usb"
every = "1 s"
pattern = "COND=(?P<cond>[0-9.]+) uS T=(?P<temp>[0-9.]+) C"
prompt = "R\\r"
[module.channels]
cond = { field = "cond" }
"""


async def test_a_handheld_that_prints_is_read_itself(house: tuple[Running, Path], tmp_path: Path) -> None:
    _, store = house
    file = tmp_path / "handheld.toml"
    words = ("B1", "--from", str(file), *GRAB, "--in-log", "--override", "a test", "--by", "J. Ortiz")
    async with RawText(tmp_path, b"R\r", lambda q: [b"COND=3210.5 uS T=24.8 C\r\n"]) as peer:
        file.write_text(HANDHELD.replace("DEVICE", str(peer.path)))
        done = await asyncio.to_thread(waterside, store, *words)
    assert done.returncode == 0, done.stderr
    assert "The handheld says cond 3210.5, temp 24.8; taken: 3210.5." in done.stdout
    record = records(store)[-1]
    assert record.body["grab"]["value"] == 3210.5
    waterside(store, "B1", "--undo", str(record.act), "--by", "J. Ortiz")
    done = await asyncio.to_thread(waterside, store, *words)
    assert done.returncode == 1
    assert "The handheld gave no reading" in done.stderr
