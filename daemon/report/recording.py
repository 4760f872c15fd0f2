"""Recordings of raw counts: CSV (also .gz) or Parquet to groups for the engine, and groups to CSV.

Lives here: the header, the rows, the rule of the empty cell. May import: config, daemon.core, this room.

The first column is `time` (ISO 8601, UTC where it names no offset, or whole ms since 1970), then one column per
`module.channel`; one row is one group. When every cell of a module is empty the module is not in the group, unless
its interval makes it due at that row: then it gave no answer. It is due at its first row, and again when nine tenths
of its interval have passed since it was last there. Where it is there, an empty cell of it is no answer too.
"""

from __future__ import annotations

import csv
import gzip
import io
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

from config.model import Plant
from daemon.core.reasons import Reason
from daemon.core.scan import Count, Group, Scan
from daemon.report.carried import Carried, Mark, act_line, mark_line, plant_line
from daemon.report.cell_text import NOT_DUE, CellError, count_of, count_text, fault_number, fault_text, said

if TYPE_CHECKING:
    import duckdb

DUE_SHARE: Final = 0.9
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_EARLIEST_MS: Final = 100_000_000_000  # March 1973; a lesser number is seconds, or no time
_LATEST_MS: Final = 253_402_300_800_000  # the year 10000
_UNREADABLE: Final = (csv.Error, UnicodeDecodeError, EOFError, gzip.BadGzipFile, zlib.error)


class RecordingError(ValueError):
    """A recording that cannot be used: file, line, column, what was found, what is wanted."""


class Due:
    """Which modules of a plant are due at a row; the one rule the reader and the writer share."""

    def __init__(self, plant: Plant) -> None:
        self._every = [m.every * 1000 * DUE_SHARE for m in plant.modules]
        self._last: list[int | None] = [None] * len(self._every)

    def at(self, module: int, time_ms: int) -> bool:
        """True when an empty module would be missing at that time."""
        last = self._last[module]
        return last is None or time_ms - last >= self._every[module]

    def there(self, module: int, time_ms: int) -> None:
        """The module was in a row."""
        self._last[module] = time_ms


def time_of(found: object) -> int:
    """ms since 1970 UTC from ISO 8601, whole ms or a datetime; CellError when it is none."""
    if isinstance(found, int) and not isinstance(found, bool):
        if not _EARLIEST_MS <= found < _LATEST_MS:
            hint = ", which may be seconds: give milliseconds" if 0 < found < _EARLIEST_MS else ""
            raise CellError(f"wants whole ms since 1970, of a year from 1973 to 9999; found {found}{hint}")
        return found
    if isinstance(found, str):
        text = found.strip()
        if text.removeprefix("-").isdecimal() and 8 < len(text) < 30:
            return time_of(int(text))
        with suppress(ValueError):
            found = datetime.fromisoformat(text)
    if isinstance(found, datetime):
        instant = found if found.tzinfo else found.replace(tzinfo=UTC)
        delta = instant - _EPOCH
        return (delta.days * 86_400 + delta.seconds) * 1000 + round(delta.microseconds / 1000)
    raise CellError(f"wants ISO 8601 like 2026-11-25T06:00:00Z, or whole ms since 1970; found {said(found)}")


class _Minute:
    """Times as `time_of` reads them, quicker where they are written as `time_text` writes them, minute by minute."""

    def __init__(self) -> None:
        self._text, self._ms = "", 0

    def time_of(self, found: object) -> int:
        """See `time_of`."""
        if type(found) is not str or len(found) != 24 or found[16] != ":" or found[19] != "." or found[23] != "Z":
            return time_of(found)
        if found[:16] != self._text:
            at_ms = time_of(found)
            self._text, self._ms = found[:16], at_ms - at_ms % 60_000
            return at_ms
        seconds, ms = found[17:19], found[20:23]
        if not (seconds.isdecimal() and ms.isdecimal() and seconds < "60"):
            return time_of(found)
        return self._ms + int(seconds) * 1000 + int(ms)


def time_text(at_ms: int) -> str:
    """ISO 8601 in UTC to the ms: 2026-11-25T06:00:00.000Z."""
    instant = datetime.fromtimestamp(at_ms // 1000, UTC)
    return f"{instant:%Y-%m-%dT%H:%M:%S}.{at_ms % 1000:03d}Z"


@dataclass(frozen=True, slots=True)
class _Module:
    """Where the columns of one module are: (name, type, position or -1) per channel, in the plant file's order.

    `first`: where they stand side by side, the first position, else -1. `known`: for each channel the cells met so far
    and their counts, since most come again and again.
    """

    channels: tuple[tuple[str, str, int], ...]
    first: int
    known: tuple[dict[Any, Count], ...]
    sound: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Columns:
    """Where the columns of one plant version are, by module."""

    modules: tuple[_Module, ...]


KNOWN_CELLS: Final = 100_000  # of a channel


def _module(channels: tuple[tuple[str, str, int], ...]) -> _Module:
    first = channels[0][2]
    side_by_side = first >= 0 and all(at == first + k for k, (_, _, at) in enumerate(channels))
    known: dict[str, dict[Any, Count]] = {}
    shared = tuple(known.setdefault(kind, {}) for _, kind, _ in channels)
    return _Module(channels, first if side_by_side else -1, shared, (0,) * len(channels))


_SMALL: Final = frozenset({"bit", "u16", "s16", "bcd16"})  # few different counts, which come again and again


def _columns(header: Sequence[str], plant: Plant, others: Iterable[Plant], where: str) -> _Columns:
    names = [h.strip() for h in header]
    if not names or names[0].lower() != "time":
        raise RecordingError(f'{where}: the first column wants to be "time"; found {names[0] if names else ""!r}')
    at = {name: i for i, name in enumerate(names)}
    if len(at) < len(names):
        twice = next(n for n in names if names.count(n) > 1)
        raise RecordingError(f"{where}: column {twice!r} stands there twice")
    known = {f"{m.name}.{c}" for p in (plant, *others) for m in p.modules for c in m.channels}
    for i, name in enumerate(names[1:], 2):
        if name not in known:
            near = [k for k in sorted(known) if k.lower() == name.lower()]
            hint = f"; did you mean {near[0]}?" if near else f", one of {', '.join(sorted(known)[:8])} ..."
            raise RecordingError(f"{where}, column {i}: wants module.channel of the plant; found {name!r}{hint}")
    return _Columns(
        tuple(
            _module(tuple((f"{m.name}.{c}", ch.type, at.get(f"{m.name}.{c}", -1)) for c, ch in m.channels.items()))
            for m in plant.modules
        )
    )


def read_recording(
    path: Path,
    plant: Plant,
    carried: Carried | None = None,
    *,
    version: int = 1,
    first: int = 1,
    also: Iterable[Plant] = (),
) -> Iterator[Group]:
    """The groups of a recording, one at a time. RecordingError or OSError as soon as something is wrong.

    `carried` (an acts file) gives group numbers, clock segments, plant versions and acts; without it groups are
    numbered from `first` on, elapsed time starts at the first row, and everything is read by `plant`. `also`: plants
    whose columns may stand there too, and are passed over.
    """
    with _table(path) as (header, rows):
        yield from _groups(header, rows, str(path), plant, carried or Carried(), version, first, tuple(also))


Row = tuple[int, Sequence[Any]]  # line of the file (or row of the table), cells


def _groups(
    header: Sequence[str],
    rows: Iterable[Row],
    name: str,
    plant: Plant,
    carried: Carried,
    version: int,
    first: int,
    also: tuple[Plant, ...],
) -> Iterator[Group]:
    plants = {version: plant, **carried.plants}
    columns = {v: _columns(header, p, (*plants.values(), *also), f"{name}, line 1") for v, p in plants.items()}
    minute = _Minute()
    mark = Mark(first, 1, 0, 0, version)
    due = Due(plant)
    before: int | None = None
    for row, (line, cells) in enumerate(rows, 1):
        where = f"{name}, line {line}"
        if len(cells) != len(header):
            raise RecordingError(f"{where}: wants {len(header)} cells as in the header; found {len(cells)}")
        try:
            at_ms = minute.time_of(cells[0])
        except CellError as e:
            raise RecordingError(f"{where}, column time: {e}") from e
        given = carried.marks.get(row)
        if before is not None and at_ms < before and (given is None or given.segment == mark.segment):
            raise RecordingError(
                f"{where} (row {row}), column time: {time_text(at_ms)} is before the row above, "
                f"{time_text(before)}. A recording wants times that never go back; sort it, or split it there."
            )
        if given is not None:
            if given.plant != mark.plant and given.plant in plants:
                due = Due(plants[given.plant])
            mark = given
            if mark.plant not in plants:
                raise RecordingError(f"{where}: plant version {mark.plant} is not in the acts file")
        elif before is not None:
            mark = Mark(mark.number + 1, mark.segment, mark.elapsed_ms + at_ms - before, 0, mark.plant)
        scans = _scans(cells, columns[mark.plant], due, at_ms, where)
        acts = carried.acts.get(row, ())
        yield Group(mark.number, at_ms, mark.elapsed_ms, mark.segment, mark.plant, scans, acts, mark.gap_ms)
        before = at_ms


def _scans(cells: Sequence[Any], columns: _Columns, due: Due, at_ms: int, where: str) -> tuple[Scan, ...]:
    out = []
    for module, c in enumerate(columns.modules):
        channels, first = c.channels, c.first
        if first >= 0:
            found = cells[first : first + len(channels)]
            try:  # all counts, each met before
                told = tuple([known[cell] for known, cell in zip(c.known, found, strict=True)])
            except (KeyError, TypeError):
                pass
            else:
                due.there(module, at_ms)
                out.append(Scan(module, told, c.sound))
                continue
        else:
            found = [cells[i] if i >= 0 else None for _, _, i in channels]
        filled = [c for c in found if c is not None and c != ""]
        if NOT_DUE in filled:
            if any(c != NOT_DUE for c in filled):
                raise RecordingError(f"{where}, column {channels[0][0]}: {NOT_DUE} stands beside counts of its module")
            continue
        if not filled and not due.at(module, at_ms):
            continue
        due.there(module, at_ms)
        counts: list[Count | None] = []
        faults: list[int] = []
        for (name, kind, _), cell, known in zip(channels, found, c.known, strict=True):
            met = known.get(cell)
            if met is not None:
                counts.append(met)
                faults.append(0)
                continue
            try:
                count, fault = _cell(cell, kind)
            except CellError as e:
                raise RecordingError(f"{where}, column {name}: {e}") from e
            if count is not None and kind in _SMALL and type(cell) is str and len(known) < KNOWN_CELLS:
                known[cell] = count
            counts.append(count)
            faults.append(fault)
        out.append(Scan(module, tuple(counts), tuple(faults)))
    return tuple(out)


def _cell(cell: Any, kind: str) -> tuple[Count | None, int]:
    if cell is None or cell == "":
        return None, int(Reason.NO_ANSWER)
    if isinstance(cell, str) and cell.startswith("!"):
        return None, fault_number(cell)
    return count_of(cell, kind), 0


@contextmanager
def _table(path: Path) -> Iterator[tuple[Sequence[str], Iterator[Row]]]:
    if path.suffix == ".parquet":
        with _parquet(path) as found:
            yield found
        return
    with _opened(path) as file:
        reader = csv.reader(file, strict=True)
        try:
            header = next(reader, None)
        except _UNREADABLE as e:
            raise RecordingError(f"{path}, line 1: cannot be read as CSV in UTF-8 ({e})") from e
        if header is None:
            raise RecordingError(f'{path}: wants a header, "time" and then module.channel names; the file is empty')
        yield header, _csv_rows(reader, path)


def _csv_rows(reader: Any, path: Path) -> Iterator[Row]:
    while True:
        begun = reader.line_num + 1  # an open quote runs to the end of the file: its first line is what to look at
        try:
            cells = next(reader)
        except StopIteration:
            return
        except _UNREADABLE as e:
            raise RecordingError(f"{path}, line {begun}: cannot be read as CSV in UTF-8 ({e})") from e
        if cells:
            yield reader.line_num, cells


def _opened(path: Path) -> IO[str]:
    if path.suffix == ".gz":
        return io.TextIOWrapper(gzip.open(path, "rb"), encoding="utf-8-sig", newline="")
    return path.open(encoding="utf-8-sig", newline="")


@contextmanager
def _parquet(path: Path) -> Iterator[tuple[Sequence[str], Iterator[Row]]]:
    import duckdb

    from daemon.store.duck import connected

    if not path.exists():
        raise FileNotFoundError(f"{path} does not exist")
    with connected() as db:
        try:
            described = db.execute("describe select * from read_parquet(?)", [str(path)]).fetchall()
            picks = ", ".join(_pick(name, kind) for name, kind, *_ in described)
            db.execute(f"select {picks} from read_parquet(?)", [str(path)])
        except duckdb.Error as e:
            raise RecordingError(f"{path}: cannot be read as Parquet ({str(e).splitlines()[0]})") from e

        def rows() -> Iterator[Row]:
            number = 1  # as if the header were line 1
            while slice_ := _next_slice(db, path):
                for cells in slice_:
                    number += 1
                    yield number, cells

        yield [name for name, *_ in described], rows()


def _next_slice(db: duckdb.DuckDBPyConnection, path: Path) -> list[Any]:
    import duckdb

    try:
        return db.fetchmany(2000)
    except duckdb.Error as e:
        raise RecordingError(f"{path}: cannot be read to its end as Parquet ({str(e).splitlines()[0]})") from e


def _pick(name: str, kind: str) -> str:
    quoted = '"' + name.replace('"', '""') + '"'
    return f"epoch_ms({quoted})" if kind.startswith(("TIMESTAMP", "DATE")) else quoted


class RecordingWriter:
    """Groups to a recording in CSV and the acts file beside it; reads back as the same groups (delays apart).

    `plants` by version: the columns are all their channels. Each `add` writes one row.
    """

    def __init__(self, rows: IO[str], acts: IO[str], plants: Mapping[int, Plant], texts: Mapping[int, str]) -> None:
        self._plants, self._acts = plants, acts
        self._out = csv.writer(rows, lineterminator="\r\n")
        names = dict.fromkeys(f"{m.name}.{c}" for p in plants.values() for m in p.modules for c in m.channels)
        self._at = {name: i for i, name in enumerate(names, 1)}
        self._places = {
            v: [[self._at[f"{m.name}.{c}"] for c in m.channels] for m in p.modules] for v, p in plants.items()
        }
        self._due: Due | None = None
        self._last: Group | None = None
        self.rows = 0
        self._out.writerow(["time", *names])
        for version in plants:
            acts.write(plant_line(version, texts[version]))

    def add(self, group: Group) -> None:
        """Write one group. ValueError when its plant version is not one of those given."""
        if group.plant not in self._plants:
            raise ValueError(f"group {group.number} is of plant version {group.plant}, which was not given")
        self.rows += 1
        last = self._last
        if last is None or last.plant != group.plant or self._due is None:
            self._due = Due(self._plants[group.plant])
        if last is None or not _plainly_next(last, group):
            mark = Mark(group.number, group.segment, group.elapsed_ms, group.gap_ms, group.plant)
            self._acts.write(mark_line(self.rows, mark))
        for act in group.acts:
            self._acts.write(act_line(self.rows, act))
        self._out.writerow(self._row(group, self._due))
        self._last = group

    def _row(self, group: Group, due: Due) -> list[str]:
        cells = [""] * (len(self._at) + 1)
        cells[0] = time_text(group.at_ms)
        places = self._places[group.plant]
        seen = set()
        for scan in group.scans:
            seen.add(scan.module)
            due.there(scan.module, group.at_ms)
            for place, count, fault in zip(places[scan.module], scan.counts, scan.faults, strict=True):
                cells[place] = fault_text(fault) if count is None else count_text(count)
        for module, channels in enumerate(places):
            if module not in seen and due.at(module, group.at_ms):
                cells[channels[0]] = NOT_DUE
        return cells


def _plainly_next(last: Group, group: Group) -> bool:
    return (
        group.number == last.number + 1
        and group.elapsed_ms - last.elapsed_ms == group.at_ms - last.at_ms >= 0
        and (group.segment, group.plant, group.gap_ms) == (last.segment, last.plant, 0)
    )
