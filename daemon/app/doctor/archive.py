"""The archive: whether every file that the store names is there and is what was written, and what lies there besides.

May import: daemon.store, config.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

from config.model import Plant
from daemon.app.doctor.report import Report
from daemon.store.archive.files import OLD, archive_folder, place, wrong_with
from daemon.store.query import first
from daemon.store.reader import Reader

COPY_BACK: Final = (
    "Copy that file from a backup (the folder store-archive in it) to where it is missing, with its name; then run "
    "doctor again. Until then readings of that time cannot be shown; alarms, records, hours and days are not in it."
)
LATE_DAYS: Final = 3.0
DAY_MS: Final = 86_400_000


def look_at_archive(report: Report, reader: Reader, plant: Plant | None) -> None:
    """Every file read once and compared with its SHA-256."""
    folder, held = archive_folder(reader.path), reader.archive()
    report.figures |= {
        "archive_files": len(held),
        "archive_bytes": sum(f.bytes for f in held),
        "archive_groups": sum(f.groups for f in held),
    }
    wrong = 0
    for file in held:
        if why := wrong_with(folder, file):
            wrong += 1
            report.error("archive", f"{why}; it holds {file.said}", COPY_BACK)
    for a, b in pairwise(held):
        if b.first_group <= a.last_group:
            report.error("archive", f"{a.name} and {b.name} hold the same polls", "Keep a copy of both and report it.")
    _others(report, reader, {place(folder, f.name).name for f in held})
    if held and not wrong:
        size = sum(f.bytes for f in held)
        report.note(
            "archive",
            f"{len(held)} files, {size / 1e6:.1f} MB, {held[0].said.partition(', ')[2].partition(' to ')[0]} to "
            f"{held[-1].said.rpartition(' to ')[2]}: all read, all as they were written",
        )
    if plant is not None:
        _late(report, reader, plant)


def _others(report: Report, reader: Reader, known: set[str]) -> None:
    folder = archive_folder(reader.path)
    others = sorted(p.name for p in folder.glob("readings-*.parquet") if p.name not in known) if folder.is_dir() else []
    names = {row[0] for row in reader.ask(lambda db: db.execute("SELECT name FROM archive_file").fetchall())}
    strange = [n for n in others if n not in names and n.removesuffix(OLD) not in names]
    if strange:
        shown = ", ".join(strange[:3]) + (f" and {len(strange) - 3} more" if len(strange) > 3 else "")
        report.warning(
            "archive",
            f"{folder} has files that the store does not know: {shown}",
            "A run that broke off leaves one; a store restored from an older backup, more. Nothing reads them. Keep a "
            "copy elsewhere before you remove any.",
        )


def _late(report: Report, reader: Reader, plant: Plant) -> None:
    """Readings that should have been put away: the job does not run, or does not get through."""
    oldest = reader.ask(lambda db: first(db, "SELECT elapsed_ms FROM scan_group ORDER BY number LIMIT 1"))
    newest = reader.ask(lambda db: first(db, "SELECT elapsed_ms FROM scan_group ORDER BY number DESC LIMIT 1"))
    if oldest is None or newest is None:
        return
    days = (newest[0] - oldest[0]) / DAY_MS
    report.figures["hot_days"] = round(days, 2)
    hot = plant.store.hot / 86_400
    events = [e for e in reader.events() if e.kind == "not put away"]
    done = reader.ask(lambda db: first(db, "SELECT at_ms FROM job_done WHERE name = 'archive'"))
    if events and (done is None or done[0] < events[-1].at_ms):
        report.warning(
            "archive",
            f"closed days were not put away, last: {events[-1].text}",
            "Mend what it names. Nothing is lost: readings stay in the store until they are proven in a file.",
        )
    elif days > hot + LATE_DAYS and reader.running and done is not None:
        report.note("archive", f"the store holds {days:.0f} days, {hot:.0f} are wanted; the newest 60 000 polls stay")
