"""Minutes, hours and days of the log against its polls.

May import: daemon.store, this room.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from daemon.app.doctor.report import Report
from daemon.store.proving import EVERY, prove
from daemon.store.reader import Reader
from daemon.store.writer import Writer

SHOWN: Final = 3
REMEDY: Final = (
    "Polls are not touched by this; trends and averages of that time are. Stop the service and run "
    "`waterside doctor --rebuild-averages`."
)


def look_at_averages(report: Report, reader: Reader) -> None:
    """Each stored minute, hour and day of the newest polls is worked out again and compared."""
    proof = prove(reader)
    report.figures |= {"averages_checked": proof.rows, "averages_wrong": len(proof.bad)}
    if proof.waiting:
        count = sum(b - a + 1 for a, b in proof.waiting)
        when = "the service works at it" if reader.running else "a service works at it when it runs"
        report.note(
            "averages", f"minutes, hours and days of up to {count} earlier polls are not worked out yet: {when}"
        )
        return
    for ranges, what in ((proof.wrong, "are not those of the polls"), (proof.missing, "are not there")):
        if ranges:
            shown = ", ".join(f"{a} to {b}" for a, b in ranges[:SHOWN]) + (" ..." if len(ranges) > SHOWN else "")
            report.error("averages", f"{len(ranges)} minutes, hours or days {what}: those of groups {shown}", REMEDY)
    if not proof.bad:
        report.note("averages", f"{proof.rows} minutes, hours and days were worked out again: all are as stored")


async def rebuild(path: Path) -> int:
    """Work out what is wrong or missing again; how many ranges. For a store no service has open. StoreError."""
    writer = await Writer.open(path, owner="doctor", reserve_bytes=0)
    try:
        while await writer.mend_figures():  # what is known to be missing
            pass
        with Reader(path) as reader:
            bad = prove(reader, EVERY).bad
        if bad:
            await writer.ask_mend(bad[0][0], bad[-1][1])
        while await writer.mend_figures():
            pass
    finally:
        await writer.aclose()
    return len(bad)
