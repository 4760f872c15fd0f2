"""The plant PC: space, what is written to the disk a day, the clock, who may do what with the files, our names.

May import: daemon.core.clock, daemon.store, daemon.app.local and names.
"""

from __future__ import annotations

import json
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from config.model import Plant
from daemon.app import local
from daemon.app.doctor.log import utc
from daemon.app.doctor.report import Report
from daemon.app.names import foreign_claims
from daemon.app.timebase import EARLIEST_MS
from daemon.store.errors import StoreError
from daemon.store.reader import Reader

DAY_S: Final = 86_400
DAY_MS: Final = DAY_S * 1000
SOON_DAYS: Final = 90
LATEST_MS: Final = 4_102_444_800_000  # 2100
LEAST_SPAN_S: Final = 60  # a rate of less is no rate


def look_at_space(report: Report, reader: Reader, plant: Plant | None, proc: Path = Path("/proc")) -> None:
    """Free space against the limit, growth of the log, and bytes the service writes a day."""
    found = os.statvfs(reader.path.parent)
    free, size = found.f_bavail * found.f_frsize, reader.path.stat().st_size
    limit = plant.store.low_space if plant else 500.0
    report.figures |= {"free_bytes": free, "log_bytes": size}
    if free < limit * 1e6:
        report.error(
            "disk",
            f"{free / 1e6:.0f} MB free on the disk of the log, the limit is {limit:.0f} MB",
            "Make room on that disk, or move the log to a larger one: backup, then restore there.",
        )
    per_day = _growth(reader, size)
    if per_day is not None:
        left = free / per_day
        report.figures["grows_bytes_per_day"] = round(per_day)
        report.note("disk", f"{size / 1e6:.1f} MB, grows by {per_day / 1e6:.2f} MB a day; {free / 1e6:.0f} MB are free")
        if left < SOON_DAYS:
            report.warning(
                "disk",
                f"at that rate the disk is full in {left:.0f} days",
                "Make room, or move the log to a larger disk.",
            )
    else:
        report.note("disk", f"{size / 1e6:.1f} MB; {free / 1e6:.0f} MB are free")
    written = wear(reader.path, proc)
    if written is not None:
        report.figures["written_bytes_per_day"] = round(written.per_day)
        report.note(
            "disk",
            f"the service writes {written.per_day / 1e6:.0f} MB a day to disk (measured over {written.seconds:.0f} s)",
        )
    elif reader.running:
        report.note("disk", "what the service writes a day is shown only to its own user and to root")


def _growth(reader: Reader, size: int) -> float | None:
    """Bytes a day over what is stored, None before a day is."""
    first_number, last = reader.first_number(), reader.last()
    if first_number is None or last is None:
        return None
    oldest = reader.group(first_number)
    span = last.elapsed_ms - oldest.group.elapsed_ms if oldest else 0
    return size / (span / DAY_MS) if span >= DAY_MS else None


@dataclass(frozen=True, slots=True)
class Written:
    """Bytes a process sent to disks over its life so far."""

    bytes: int
    seconds: float

    @property
    def per_day(self) -> float:
        return self.bytes / self.seconds * DAY_S


def wear(store: Path, proc: Path = Path("/proc")) -> Written | None:
    """What the service of a store has written since its start, as the kernel counts it; None when it does not tell."""
    try:
        pid = int(json.loads(store.with_name(store.name + ".lock").read_text())["pid"])
        counted = dict(line.split(": ") for line in (proc / str(pid) / "io").read_text().splitlines())
        begun = int((proc / str(pid) / "stat").read_text().rpartition(")")[2].split()[19]) / os.sysconf("SC_CLK_TCK")
        seconds = float((proc / "uptime").read_text().split()[0]) - begun
    except (OSError, ValueError, KeyError, TypeError, IndexError):
        return None
    return Written(int(counted["write_bytes"]), seconds) if seconds >= LEAST_SPAN_S else None


def look_at_clock(report: Report, reader: Reader, now_ms: int, synchronised: bool | None) -> None:
    """The PC's clock now, and what is known of it over the life of the log."""
    report.figures["synchronised"] = synchronised
    if not EARLIEST_MS <= now_ms <= LATEST_MS:
        report.error("clock", f"this PC's clock says {utc(now_ms)}", "Set it (timedatectl), and see why it was lost.")
    if synchronised is False:
        report.warning(
            "clock",
            "the system says that its clock is not kept by a time server",
            "See `timedatectl`: switch network time on, or name a server the PC reaches. Without one, compare the "
            "clock at each visit.",
        )
    elif synchronised is None:
        report.note("clock", "the system does not tell whether its clock is kept by a time server")
    segments, shifted = reader.clock_segments(), reader.shifts()
    last = reader.last()
    if last and now_ms < last.at_ms + shifted.get(last.segment, 0) - 2000:
        report.error(
            "clock",
            f"this PC's clock says {utc(now_ms)}, before the newest poll ({utc(last.at_ms)})",
            "Set it (timedatectl). A demo runs on a time of its own.",
        )
    jumps = [s for s in segments if s.why.startswith("the clock was set")]
    report.figures |= {"clock_segments": len(segments), "clock_jumps": len(jumps), "clock_corrected": len(shifted)}
    if jumps:
        report.note("clock", f"{len(jumps)} times the clock was set while the service ran, last: {jumps[-1].why}")
    for s in segments:
        if s.segment in shifted:
            way = "later" if shifted[s.segment] > 0 else "earlier"
            hours = abs(shifted[s.segment]) / 3_600_000
            report.note("clock", f"dates of segment {s.segment} are shown {hours:.1f} h {way} than they were written")
        elif s.doubt and s.first_group is not None:
            report.warning(
                "clock",
                f"segment {s.segment}, from {utc(s.at_ms)} as the clock said: {s.doubt}",
                "When it is known how far the clock was off, record it: waterside clock "
                f'{s.segment} --began "2026-11-25 06:00" --by NAME. Counts are not touched.',
            )


def look_at_files(report: Report, reader: Reader) -> None:
    """Who may read and write the log, its folder and the letterbox."""
    path = reader.path
    folder, file = path.parent.stat(), path.stat()
    for what, found in ((path.parent, folder), (path, file)):
        if found.st_mode & stat.S_IWOTH and not found.st_mode & stat.S_ISVTX:
            report.warning(
                "files", f"anybody on this PC may write {what}", f"Take that right away: chmod o-w '{what}'."
            )
    if folder.st_uid != file.st_uid and folder.st_uid != 0:
        report.warning(
            "files",
            f"{path} belongs to user {file.st_uid}, its folder to user {folder.st_uid}",
            "The service must be able to write both: chown them to the service's user.",
        )
    if not reader.running:
        report.note("service", "it is not running")
        return
    at = local.place(path)
    try:
        if not local.answers(at):
            raise FileNotFoundError
        if not os.access(at, os.R_OK | os.W_OK):
            report.warning(
                "letterbox",
                f"you may not use {at}: acknowledging and notes are for its user and group",
                "Become a member of the service's group (usermod -aG waterside NAME).",
            )
    except OSError:
        report.warning(
            "letterbox",
            f"the service runs, but nobody answers at {at}",
            "It may be starting; look again. Else see the service's log.",
        )


def look_at_names(report: Report) -> None:
    """Do other packages claim our import names?"""
    for claim in foreign_claims():
        report.error("program", claim, "Make a fresh environment for waterside alone: deploy/start.")


def look_at_mail_rows(report: Report, reader: Reader, now_ms: int) -> None:
    """Mails that wait or were refused, from the log."""
    try:
        counts = reader.mail_counts()
        oldest = next(reader.mails("waiting"), None)
    except StoreError as e:
        report.error("mail", str(e), "See what is said of the log.")
        return
    report.figures["mails"] = counts
    if oldest is not None:
        report.warning(
            "mail",
            f"{counts['waiting']} wait, the oldest of {utc(oldest.at_ms)}"
            + (f": {oldest.note}" if oldest.note else "")
            + (f" ({oldest.tries} tries)" if oldest.tries else ""),
            "See below whether the mail server answers; they are tried again while the service runs.",
        )
    refused = list(reader.mails("refused"))
    if refused:
        worst = refused[-1]
        report.warning(
            "mail",
            f"{len(refused)} were refused for good, last one to {worst.recipient}: {worst.note}",
            "Correct the address or the sender in the plant file, and tell that person what was in them.",
        )
