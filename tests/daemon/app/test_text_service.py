"""A text instrument from its wire to the store and the export: a service of its own, a real printer, a real store."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path

import pytest

from config.load import loads
from daemon.app.exporting import export_files
from daemon.core.reasons import Reason
from daemon.core.tags import raw_tags
from daemon.measure.current_loop import to_reading
from daemon.report.recording import read_recording
from daemon.store.reader import Reader
from tests.support.plants import HEAD
from tests.support.rawtext import Printer
from tests.support.service import running

PLANT = (
    HEAD.replace('"us"', '"si"')
    + r"""[[link]]
name = "bench"
kind = "text"
host = "127.0.0.1"
port = {port}
timeout = "5 s"
[[module]]
name = "meter"
link = "bench"
every = "500 ms"
pattern = 'COND=(?P<cond>[-+0-9,]+) uS T=(?P<temp>\S+) C'
checksum = "xor8"
decimal = ","
[module.channels]
cond = {{ field = "cond" }}
temp = {{ field = "temp" }}
[[analogue]]
name = "condensate"
channel = "meter.cond"
range = "0..200 uS/cm"
high = 50.0
[[analogue]]
name = "condensate_temp"
channel = "meter.temp"
range = "0..120 °C"
"""
)
STEP = 0.001953125  # 2^-9: every sum of it is exact in binary, and 9 decimals write it exactly


def printed(n: int) -> bytes:
    """Line n: a number of its own, so that none can be taken for another; each fifth is spoiled on its way."""
    body = b"COND=" + f"{100 + n * STEP:.9f}".replace(".", ",").encode() + b" uS T=24,5 C"
    total = 0
    for byte in body:
        total ^= byte
    if n % 5 == 4:
        body = body.replace(b"COND=1", b"COND=7")
    return body + b"*%02X\r\n" % total


def test_what_is_printed_is_stored_and_exported_to_the_last_digit(tmp_path: Path) -> None:
    with Printer(printed, every=0.13) as printer:
        plant = tmp_path / "plant.toml"
        plant.write_text(PLANT.format(port=printer.port), "utf-8")
        store = tmp_path / "w.db"
        with running(plant, store) as service:
            service.wait_groups(12)
            assert service.end() == 0
    text = loads(plant.read_text("utf-8"))
    tags = {t.name: t for t in raw_tags(text.plant)}
    seen: list[float] = []
    spoiled = 0
    with Reader(store) as reader:
        for stored in reader.groups():
            for scan in stored.group.scans:
                if scan.faults[0]:
                    spoiled += scan.faults[0] == Reason.BAD_ANSWER
                    continue
                cond, temp = scan.counts
                assert cond is not None
                assert temp == 24.5
                n = (cond - 100) / STEP
                assert n == int(n)
                assert n % 5 != 4  # a spoiled line gave no number
                assert to_reading(cond, tags["condensate"], 0).value == cond
                seen.append(float(cond))
    assert len(seen) >= 3
    assert seen == sorted(set(seen))  # no line twice
    assert spoiled >= 1

    for form in ("raw", "csv"):
        export_files(store, "-1d", "now", form, tmp_path / form)
    raw = next((tmp_path / "raw").glob("*.csv*"))
    recorded = [
        scan.counts[0] for group in read_recording(raw, text.plant) for scan in group.scans if not scan.faults[0]
    ]
    assert recorded == seen
    done = subprocess.run(
        [sys.executable, "-P", "-m", "daemon", "replay", str(plant), str(raw), "--out", str(tmp_path / "again")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    with next((tmp_path / "csv").glob("*readings*.csv")).open(newline="", encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file))
    (column,) = (name for name in rows[0] if name.startswith("condensate ("))
    shown = [float(row[column]) for row in rows if row[column]]
    assert shown == pytest.approx(seen, abs=0.05)
