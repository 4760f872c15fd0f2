"""One workbook for the technician: Summary, Readings, Blows, Alarms, Calibrations, Manual. Whole or not at all.

Memory is bounded.

Dates are real cells in the plant's own time; numbers are numbers in the units of the header; what is not good is said
in words. May import: config, daemon.core, daemon.store, this room. The workbook library is imported when needed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final
from zoneinfo import ZoneInfo

from config.model import Plant
from config.solids import solids_of
from daemon.core.reasons import Quality
from daemon.core.tags import derived_tags, raw_tags
from daemon.report.averages import Averages, Each
from daemon.report.days import DAY_HEADS
from daemon.report.files import replacing
from daemon.report.readings import sheet_of
from daemon.report.tables import (
    ALARM_HEADS,
    BLOW_HEADS,
    CALIBRATION_HEADS,
    MANUAL_HEADS,
    alarm_row,
    blow_row,
    calibration_row,
    manual_rows,
    site_time,
)
from daemon.store.reader import Reader

SHEET_ROWS: Final = 1_000_000  # the format ends at 1 048 576
PRINTED: Final = 15  # so many columns are still readable when fitted to the width of a page
CELL_TEXT: Final = 32_767  # the format's longest text; longer ones the library leaves out
_WIDE: Final = {
    "evidence": 60,
    "method and remarks": 40,
    "says": 60,
    "remark": 30,
    "reason": 30,
    "override": 30,
    "meaning": 30,
    "alarm": 30,
    "state": 22,
    "not good": 40,
}
_DIGITS: Final = {
    **dict.fromkeys(("umho/cm", "uS/cm", "psig", "°F", "°C", "%", "US gal", "ft3", "ft3/h", "kPa", "min"), "#,##0.0"),
    **dict.fromkeys(("ppm TDS", "ppm TDS (unneutralised)"), "#,##0"),
    **dict.fromkeys(("barg", "gpm", "lb", "kg", "lb/h", "kg/h", "L", "h", "mL/m3", "fl oz/1000 US gal"), "#,##0.00"),
    **dict.fromkeys(("m3", "m3/h", "mA"), "#,##0.000"),
}
"""Decimals by the unit in the header; every other number is shown as it is."""
_UNIT: Final = re.compile(r"[^(]*\((.+)\)")
_CAUTIONS: Final = (
    "waterside watches and tells, nothing more. It is no safety device: low-water cut-offs, limits and safety valves "
    "work without it.",
    "Samples and blowdown are above boiling: sample cooler with its cooling water running first, face shield, gloves.",
    "Set points and limits are the boiler maker's, the insurer's and the water specialist's to give. Local codes and "
    "licensed operators decide.",
)


def export_xlsx(
    reader: Reader,
    plant: Plant,
    from_ms: int,
    to_ms: int,
    path: Path,
    progress: Callable[[int], None] = lambda n: None,
    each: Each | None = None,
) -> Path:
    """Write the workbook for a stretch of time (`from_ms` <= t < `to_ms`); `each`: averages instead of readings."""
    import xlsxwriter

    zone = ZoneInfo(plant.plant.zone)
    options: dict[str, Any] = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "remove_timezone": True,
    }
    # sheets grow in files of their own; when something fails they go with their folder
    with replacing(path) as part, TemporaryDirectory(prefix="waterside-") as scratch:
        book = xlsxwriter.Workbook(str(part), options | {"tmpdir": scratch})
        try:
            _fill(book, reader, plant, zone, from_ms, to_ms, progress, each)
        except BaseException:
            for page in book.worksheets():
                page.row_data_fh.close()
            raise
        book.close()
    return path


def _fill(
    book: Any,
    reader: Reader,
    plant: Plant,
    zone: ZoneInfo,
    from_ms: int,
    to_ms: int,
    progress: Callable[[int], None],
    each: Each | None,
) -> None:
    book.set_properties({"title": f"{plant.plant.name}: readings, blows, alarms"})
    pages = _Pages(book)
    _summary(book, pages, plant, zone, from_ms, to_ms)
    if each is None:
        sheet = sheet_of(reader, plant, from_ms, to_ms)
        heads = ["time", *(c.head for c in sheet.columns), "not good"]
        readings = ([site_time(r.at_ms, zone), *r.cells, r.not_good] for r in sheet.rows(reader, from_ms, to_ms))
        pages.table("Readings", heads, readings, progress)
        pages.table("Days", DAY_HEADS, sheet.days.rows(reader, from_ms, to_ms))
    else:
        averages = Averages(reader, plant, each)
        pages.table(f"Averages by the {each}", averages.heads, averages.rows(from_ms, to_ms), progress)
    pages.table("Blows", BLOW_HEADS, (blow_row(b, plant, zone) for b in reader.blows(from_ms, to_ms)))
    pages.table("Alarms", ALARM_HEADS, (alarm_row(e, plant, zone) for e in reader.journal(from_ms, to_ms)))
    calibrations = (calibration_row(c, plant, zone) for c in reader.calibrations(from_ms, to_ms))
    pages.table("Calibrations", CALIBRATION_HEADS, calibrations)
    pages.table("Manual", MANUAL_HEADS, manual_rows(reader.manual(from_ms, to_ms), reader.act, zone))


class _Pages:
    """Sheets of a workbook: header frozen and filtered, one format each for dates, numbers and words."""

    def __init__(self, book: Any) -> None:
        self._book = book
        self._head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        self._date = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        self._numbers = {unit: book.add_format({"num_format": text}) for unit, text in _DIGITS.items()}

    def table(
        self,
        name: str,
        heads: Sequence[str],
        rows: Iterable[Iterable[Any]],
        progress: Callable[[int], None] = lambda n: None,
    ) -> None:
        """Write a table; what does not fit on one sheet goes on on the next."""
        page, at, number = self._page(name, heads), 0, 1
        units = [m[1].removesuffix(" (neutralised)") if (m := _UNIT.fullmatch(head)) else "" for head in heads]
        formats = [self._numbers.get(unit) for unit in units]
        for n, row in enumerate(rows, 1):
            if at == SHEET_ROWS:
                self._close(page, at, len(heads))
                number += 1
                page, at = self._page(f"{name} {number}", heads), 0
            at += 1
            for column, value in enumerate(row):
                self._put(page, at, column, value, formats[column])
            if n % 1000 == 0:
                progress(n)
        self._close(page, at, len(heads))

    def _page(self, name: str, heads: Sequence[str]) -> Any:
        page = self._book.add_worksheet(name)
        page.freeze_panes(1, 1)
        page.set_landscape()
        page.repeat_rows(0)
        if len(heads) <= PRINTED:
            page.fit_to_pages(1, 0)
        for column, head in enumerate(heads):
            width = (
                20
                if head in ("time", "start", "end", "from")
                else _WIDE.get(head, 24 if head.endswith("quality") else 13)
            )
            page.set_column(column, column, width)
        page.set_row(0, 32)
        for column, head in enumerate(heads):
            page.write_string(0, column, head, self._head)
        return page

    @staticmethod
    def _close(page: Any, rows: int, columns: int) -> None:
        page.autofilter(0, 0, max(rows, 1), columns - 1)

    def _put(self, page: Any, row: int, column: int, value: Any, digits: Any) -> None:
        if isinstance(value, datetime):
            page.write_datetime(row, column, value.replace(tzinfo=None), self._date)
        elif isinstance(value, (int, float)):
            if math.isfinite(value):
                page.write_number(row, column, value, digits)
        elif value:
            page.write_string(row, column, value[:CELL_TEXT])


def _summary(book: Any, pages: _Pages, plant: Plant, zone: ZoneInfo, from_ms: int, to_ms: int) -> None:
    bold, wrap = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
    page = book.add_worksheet("Summary")
    page.set_column(0, 0, 22)
    page.set_column(1, 1, 90)
    start, end = site_time(from_ms, zone), site_time(to_ms, zone)
    lines = [
        ("Plant", plant.plant.name),
        ("From", f"{start:%A %Y-%m-%d %H:%M:%S %Z}"),
        ("To", f"{end:%A %Y-%m-%d %H:%M:%S %Z}"),
        ("Clock", f"{plant.plant.zone}; all times here are the plant's own"),
        ("Units", "US customary" if plant.plant.units == "us" else "SI"),
        ("Boilers", ", ".join(b.name for b in plant.boilers) or "none"),
        ("Readings", "One row an instant. A boiler's conductivity stands in the row in which it was really sampled; "
                     "its probe column is what the probe saw at every poll, sampled or not."),
        ("Quality", f"{Quality.GOOD.value}: taken while sample flowed, loop sound. {Quality.UNCERTAIN.value}: there is "
                    f"a value, with the reason why not to lean on it. {Quality.BAD.value}: there is no value to use."),
        *((f.name, f"{f.label}: {f.about}") for f in derived_tags(plant) if f.label),
        *((f"{b.name}.dissolved_solids", f"{s.factor:.3g} × conductivity, in {s.unit}; the factor: {s.source}")
          for b in plant.boilers if (s := solids_of(b))),
        ("Contacts", "; ".join(_contacts(plant)) or "none"),
        ("Days", "What each meter passed on each day of the plant's calendar; some have 23 or 25 hours."),
        ("Blows", "Openings of the surface blowdown valve; lengths are as exact as the polls (plus or minus)."),
        ("Calibrations", "Every record that came into force, withdrawals too. A correction in the log holds from its "
                         "time on; at the wall instrument nothing is changed here."),
        ("Manual", "Tests done by hand and other results people entered, as entered. One that was withdrawn stays and "
                   "says by which act."),
        ("Alarms", "Every event of every alarm. Value and limit are those at the event."),
        *(("Caution", text) for text in _CAUTIONS),
    ]  # fmt: skip
    for row, (key, text) in enumerate(lines):
        page.write_string(row, 0, key, bold)
        page.write_string(row, 1, text, wrap)


def _contacts(plant: Plant) -> list[str]:
    """What a closed contact says, for each that says more than that it is on."""
    return [
        f"{t.name} closed: {t.closed_means}" for t in raw_tags(plant) if t.kind == "contact" and t.closed_means != "on"
    ]
