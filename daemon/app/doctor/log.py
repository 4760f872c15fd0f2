"""The log itself: pages, records, plant files, the engine's states, what happened to the store.

May import: daemon.store, daemon.engine, config.
"""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from typing import Final

from config.model import Plant
from daemon.app.doctor.report import Report
from daemon.engine import FORMAT, SnapshotError, restore
from daemon.store.chain import say_head
from daemon.store.errors import StoreError
from daemon.store.reader import Reader

SHOWN: Final = 20
SILENT_MS: Final = 300_000  # a running service stores at least every 10 s
SALVAGE: Final = (
    "Keep the file as it is. Take a backup's store (waterside restore), or what can still be read: "
    "waterside doctor --salvage-to FILE."
)


def utc(at_ms: int) -> str:
    try:
        return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    except (ValueError, OverflowError, OSError):
        return f"{at_ms} ms"


def look_at_log(report: Report, reader: Reader, against: tuple[int, str] | None, now_ms: int) -> Plant | None:
    """The plant in force, None when it cannot be read."""
    _integrity(report, reader)
    _head(report, reader, against)
    plant = _plants(report, reader)
    _snapshots(report, reader)
    _events(report, reader)
    last = reader.last()
    report.figures["last_group"] = last.number if last else None
    report.figures["last_at_ms"] = last.at_ms if last else None
    if last is None:
        report.note("log", "nothing has been stored yet")
    else:
        report.note("log", f"newest poll: group {last.number}, {utc(last.at_ms)}")
        if reader.running and now_ms - last.at_ms > SILENT_MS:
            report.error(
                "log",
                f"the service runs, but its newest poll is of {utc(last.at_ms)}, {(now_ms - last.at_ms) / 60_000:.0f} "
                "minutes ago",
                "Look at the service's log (journalctl -u waterside) and at `waterside status`. A demo runs on a time "
                "of its own.",
            )
    report.figures["running"] = reader.running
    return plant


def _integrity(report: Report, reader: Reader) -> None:
    found = reader.integrity()
    for text in found[:SHOWN]:
        edited = "was changed" in text or "gone" in text or "chained" in text
        report.error(
            "records" if edited else "log",
            text,
            "Whoever may write the file can do this; a program of ours never does. Compare with a backup of before and "
            "say so to whoever relies on the records."
            if edited
            else SALVAGE,
        )
    if len(found) > SHOWN:
        report.error("log", f"and {len(found) - SHOWN} more of that kind", SALVAGE)
    if not found:
        report.note("log", "every page and every record was read; the chain of records holds")


def _head(report: Report, reader: Reader, against: tuple[int, str] | None) -> None:
    count, head = reader.head()
    report.figures["records"], report.figures["head"] = count, head
    report.note("records", f"{say_head(count, head)} (keep it outside this PC; --against compares with it later)")
    if against is None:
        return
    said_count, said = against
    found = reader.hash_at(said_count)
    if found is None:
        report.error(
            "records",
            f"{said_count} records were there when that was noted, {count} are there now",
            "Records were removed, or this is a store of before. Compare with a backup.",
        )
    elif found != said:
        report.error(
            "records",
            f"record {said_count} or one before it is not what it was when that was noted",
            "The records were written anew after that. Compare with a backup of that time to see which.",
        )
    else:
        report.note("records", f"the first {said_count} records are those that were there when that was noted")


def _plants(report: Report, reader: Reader) -> Plant | None:
    plant, versions = None, reader.plant_versions()
    for v in versions:
        try:
            plant = reader.plant(v.version)
        except StoreError as e:
            report.warning(
                "plant file",
                str(e),
                "Counts of that time are read all the same; values are not. Keep a copy of the store and report it.",
            )
    report.figures["plant_versions"] = len(versions)
    return plant


def _snapshots(report: Report, reader: Reader) -> None:
    found = reader.snapshots()
    why = ""
    for snapshot in found:
        try:
            if snapshot.format != FORMAT:
                raise SnapshotError(f"format {snapshot.format}, this program has {FORMAT}")
            restore(reader.plant(snapshot.plant), snapshot.body)
        except (SnapshotError, StoreError) as e:
            why = why or str(e)
            continue
        if why:
            report.note(
                "state", f"the newest stored state cannot be taken up ({why}), that of group {snapshot.group} can"
            )
        return
    if found:
        report.warning(
            "state",
            f"none of the {len(found)} stored states can be taken up: {why}",
            "The next start rebuilds the state from the last days' polls; that takes a while. After a new "
            "program version this is usual.",
        )


def _events(report: Report, reader: Reader) -> None:
    events = reader.events()
    kinds = Counter(e.kind for e in events)
    differing = [e for e in events if e.kind == "journal differs"]
    if differing:
        report.error(
            "journal",
            f"{len(differing)} times alarms came out differently when polls were worked through again, last: "
            f"{differing[-1].text}",
            "What was stored first stands. Keep a copy of the store and report it.",
        )
    refused = [e for e in events if e.kind == "store was refusing"]
    if refused:
        report.note("log", f"{len(refused)} times nothing could be stored for a while, last {refused[-1].text}")
    salvaged = [e for e in events if e.kind == "salvaged"]
    for e in salvaged[-1:]:
        report.note("log", e.text)
    report.figures["events"] = dict(kinds)
